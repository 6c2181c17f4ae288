"""Definition of one setting: default, help, unit and what is allowed."""

from __future__ import annotations

from typing import Any

from pydantic import ConfigDict, Field

STRICT = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def setting(default: Any, text: str, unit: str = "", **allowed: Any) -> Any:
    """A setting with its default, help and unit; `allowed` is what pydantic's `Field` takes."""
    return Field(default, description=text, json_schema_extra={"unit": unit}, **allowed)
