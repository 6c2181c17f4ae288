"""A mosquitto of this machine as our own broker, instead of the one that is installed with us."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from monitor.mqtt.accounts import Account, mosquitto_hash, read_accounts, write_private
from monitor.mqtt.embedded_broker import (
    INFLIGHT_MAX,
    PROBE_TOPIC,
    SESSION_DAYS,
    BrokerAccount,
    EmbeddedBroker,
)
from monitor.mqtt.mosquitto_files import ACCESS, PASSWORDS, write_mosquitto_files


class MosquittoBroker(EmbeddedBroker):
    """mosquitto's process, with the same accounts and rights.

    It keeps messages in memory and writes them to disk after each change, so a kill of mosquitto
    and of the ingest in one moment can lose what it had acknowledged in that moment.
    """

    opens_while_running = False

    def __init__(self, folder: Path, host: str, port: int, **more: Any) -> None:
        super().__init__(folder, host, port, **more)
        accounts: list[BrokerAccount] = [*more.get("accounts", ())]
        self._service = (self._ingest.user, mosquitto_hash(self._ingest.password))
        self._probe_hash = mosquitto_hash(self.probe.password)
        self._known = [
            Account(one.user, one.may, "", mosquitto_hash(one.password)) for one in accounts
        ]

    @property
    def kept(self) -> Path:
        return self.folder / "mosquitto.db"

    def is_full(self) -> bool:
        return False  # its limit is of each session, and it drops what is beyond

    def retained(self) -> int:
        return 0  # it does not report them

    def fault(self) -> str:
        return ""  # it reports none of itself

    def _command(self, configuration: Path) -> list[str]:
        return [self.program, "-c", str(configuration)]

    def _write_configuration(self) -> Path:
        accounts = list(self._known)
        if self._accounts_file:
            accounts += read_accounts(self._accounts_file).values()
        write_mosquitto_files(
            self.folder, self._rules, accounts, self._service, anonymous=self._anonymous
        )
        for name, line in (
            (PASSWORDS, f"{self.probe.user}:{self._probe_hash}"),
            (ACCESS, f"\nuser {self.probe.user}\ntopic readwrite {PROBE_TOPIC}"),
        ):
            path = self.folder / name
            write_private(path, f"{path.read_text(encoding='utf-8')}{line}\n")
        return super()._write_configuration()

    def _configuration(self) -> str:
        lines = [
            f"listener {self._listens} {self.host}",
            f"allow_anonymous {'true' if self._anonymous else 'false'}",
            f"password_file {self.folder / PASSWORDS}",
            f"acl_file {self.folder / ACCESS}",
            "persistence true",
            f"persistence_location {self.folder}/",
            "autosave_on_changes true",
            "autosave_interval 1",
            f"max_inflight_messages {INFLIGHT_MAX}",
            "max_queued_messages 1000000",
            f"max_queued_bytes {self.store_mb * 1_000_000}",
            f"persistent_client_expiration {SESSION_DAYS}d",
            "message_size_limit 1000000",
            f"log_dest file {self._log}",
            "log_type error",
            "log_type warning",
            "connection_messages false",
        ]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            lines.append("user root")  # else it would become a user who cannot read its files
        if self._tls:
            lines += [f"certfile {self._tls[0]}", f"keyfile {self._tls[1]}"]
        return "\n".join(lines) + "\n"
