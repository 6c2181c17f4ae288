"""Options that set fields of a request, each only if it is given."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Mapping
from typing import Annotated, Any, NamedTuple

import typer

from monitor.cli.shared import number_of, temp_c_of
from monitor.settings import Settings

Read = Callable[[str, Settings, str], Any]
"""Reader of a text, with the settings and the name of the option for its error."""


def number(text: str, _settings: Settings, option: str) -> float:
    return number_of(text, option)


def temp_c(text: str, _settings: Settings, option: str) -> float:
    """A temperature, 21C or 70F. [°C]"""
    return temp_c_of(text, option)


def or_none(read: Read) -> Read:
    """Reader that also takes the word none, which removes a value."""
    return lambda text, settings, option: None if text == "none" else read(text, settings, option)


class FieldOption(NamedTuple):
    """Option for a field; without `option` and `field` it has the parameter's name.

    `default`: None where an empty text is sent too.
    """

    help: str
    option: str = ""
    field: str = ""
    read: Read = lambda value, _settings, _option: value
    default: str | None = ""
    kind: Any = str

    @property
    def annotation(self) -> Any:
        names = (self.option,) if self.option else ()
        kind = self.kind if self.default is not None else self.kind | None
        return Annotated[kind, typer.Option(*names, help=self.help)]


def with_fields(options: Mapping[str, FieldOption]) -> Callable[[Any], Any]:
    """Decorator of a command: its parameter `fields` becomes these options.

    It gets the fields that were given, as the request has them.
    """

    def decorated(action: Callable[..., None]) -> Callable[..., None]:
        given = inspect.signature(action, eval_str=True)

        @functools.wraps(action)
        def run(settings: Settings, **values: Any) -> None:
            fields = {}
            for name, one in options.items():
                if (value := values.pop(name)) not in (None, one.default):
                    shown = one.option.partition("/")[0] or f"--{name.replace('_', '-')}"
                    fields[one.field or name] = one.read(value, settings, shown)
            action(settings, fields=fields, **values)

        del run.__wrapped__
        parameters = [p for name, p in given.parameters.items() if name != "fields"]
        parameters += [
            inspect.Parameter(
                name,
                inspect.Parameter.KEYWORD_ONLY,
                default=one.default,
                annotation=one.annotation,
            )
            for name, one in options.items()
        ]
        run.__signature__ = given.replace(  # type: ignore[attr-defined] # as functools.wraps sets it
            parameters=[p.replace(kind=p.KEYWORD_ONLY) for p in parameters]
        )
        return run

    return decorated
