"""Arithmetic of small experiments in a shop: each figure with its range.

`coupon` weighs wood, `joints` judges glued laps and joints over salts, `case_leak` weighs a case
humidifier. Every range is 10 to 90 %. What rests on too little is not concluded: `Lacks` says why.
"""

from __future__ import annotations
