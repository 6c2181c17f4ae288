"""Commands on the settings: change them, undo a change, start the service again with them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from monitor.commands.request import Command, Decision
from monitor.core.errors import Fault, Rejected, SettingsFault
from monitor.domain.settings_change import (
    ChangeSettings,
    RestartService,
    SettingsRequest,
    UndoChange,
)
from monitor.settings.change import PlannedChange, SettingsFile
from monitor.store.connection import Cursor


class DecideSettings:
    """Carries out requests on the settings.

    `restart` starts the service again, soon after; None where there is no service to restart.
    """

    def __init__(
        self, file: SettingsFile | None, restart: Callable[[], None] | None = None
    ) -> None:
        self._file, self._restart = file, restart

    def __call__(self, command: Command[SettingsRequest]) -> Decision:
        request, file = command.request, self._file
        if file is None:
            raise Rejected("the settings cannot be changed here")
        match request:
            case ChangeSettings():
                return self._write(
                    command, file, file.changed(request.set, request.remove, request.version)
                )
            case UndoChange():
                return self._undo(command, file, request.change)
            case RestartService():
                return self._again(command, file)
        raise TypeError(request)

    def _undo(
        self, command: Command[SettingsRequest], file: SettingsFile, number: int
    ) -> Decision:
        change = command.journal.settings_changes.get(number)
        if change is None:
            raise Rejected(Fault("", "change", number, "the number of a change in the history"))
        body = change.body
        paths = [tuple(one["path"]) for one in body["changes"]]
        plan = file.undone(body["before"], body["after"], paths)
        return self._write(command, file, plan, undone=number)

    def _write(
        self,
        command: Command[SettingsRequest],
        file: SettingsFile,
        plan: PlannedChange,
        **more: Any,
    ) -> Decision:
        number = len(command.journal.settings_changes) + 1
        body = {
            "changes": [one.as_body() for one in plan.differences],
            "before": plan.version_before,
            "after": plan.version,
            **more,
        }
        answer = {"settings": "settings", "change": number, "version": plan.version}

        def write(_: Cursor) -> None:
            file.write(plan)

        return Decision([command.event(str(number), body)], answer, write)

    def _again(self, command: Command[SettingsRequest], file: SettingsFile) -> Decision:
        if self._restart is None:
            raise Rejected("there is no service to restart")
        restart = self._restart
        try:
            version = file.present().version
        except SettingsFault as exc:
            raise Rejected(*exc.details) from exc

        def write(_: Cursor) -> None:
            restart()

        event = command.event("service", {"version": version})
        return Decision([event], {"settings": "settings", "version": version}, write)
