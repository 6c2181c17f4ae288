"""Own proof evaluated: results of experiments, from their measurements and the store's air."""

from __future__ import annotations
