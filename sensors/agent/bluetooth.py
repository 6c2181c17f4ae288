"""Sensors of Bluetooth's Environmental Sensing Service (0x181A), read by connecting to each in turn.

The Bluetooth library is known here alone. This module is imported only where the settings name such
a sensor, or one is looked for: it would take the agent's memory otherwise.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, NamedTuple

from monitor.core.backoff import Backoff
from monitor.core.errors import BadPayload, MonitorError
from monitor.core.measurements import Quantity
from sensors.agent.environmental import CHARACTERISTICS, decoded
from sensors.agent.sampling import SensorSource

if TYPE_CHECKING:
    from sensors.agent.settings import AgentSensor

log = logging.getLogger(__name__)

FIND_S, WITHIN_S = 20.0, 45.0
"""How long finding a sensor may take, and finding, connecting and reading together. [s]"""
RETRY_FIRST_S = 5.0
"""First wait after a failure, doubled from one to the next up to the period. [s]"""
LOOK_S = 10.0
"""How long to look for sensors in reach. [s]"""

_UUID = "0000{:04x}-0000-1000-8000-00805f9b34fb"
SERVICE = _UUID.format(0x181A)
_NO_BLUETOOTH = (
    "Bluetooth cannot be used on this machine: {}; is there a radio, and does BlueZ run?"
)


class BluetoothFault(MonitorError):
    """A sensor, or Bluetooth as a whole, cannot be used just now."""

    retryable = True


class NearbySensor(NamedTuple):
    """A sensor in reach that offers the service, and how strongly it is heard. [dBm]"""

    address: str
    name: str
    signal_dbm: int


class BluetoothAnswer(NamedTuple):
    """Answer of a sensor, in the units of `monitor.core.measurements.MEASURES`.

    The time is by the clock that was given [ms]; what could not be used is told in words.
    """

    values: dict[Quantity, float]
    at_ms: int
    trouble: str


def nearby_sensors(look_s: float = LOOK_S) -> list[NearbySensor]:
    """Sensors in reach that advertise the service, the strongest first. [s]

    Raises
    ------
    BluetoothFault
        If Bluetooth cannot be used.
    """

    async def look() -> list[NearbySensor]:
        library = _library()
        try:
            async with asyncio.timeout(look_s + WITHIN_S):
                found = await library.BleakScanner.discover(
                    look_s, return_adv=True, service_uuids=[SERVICE]
                )
        except (library.exc.BleakError, OSError, EOFError) as exc:
            raise BluetoothFault(_NO_BLUETOOTH.format(_reason(exc))) from exc
        return [
            NearbySensor(
                device.address, advertised.local_name or device.name or "", advertised.rssi
            )
            for device, advertised in found.values()
            if SERVICE in advertised.service_uuids
        ]

    return sorted(asyncio.run(look()), key=lambda one: -one.signal_dbm)


async def read(address: str, now_ms: Callable[[], int]) -> BluetoothAnswer:
    """Reads a sensor.

    Raises
    ------
    BluetoothFault
        If it cannot be reached, it does not answer in time, it goes away, or it is no such sensor.
    """
    library = _library()
    try:
        async with asyncio.timeout(WITHIN_S):
            async with library.BleakClient(address, timeout=FIND_S) as client:
                return await _said(client, address, now_ms)
    except TimeoutError as exc:
        raise BluetoothFault(f"{address}: no answer within {WITHIN_S:g} s") from exc
    except library.exc.BleakDeviceNotFoundError as exc:
        raise BluetoothFault(f"{address}: not in reach, or asleep") from exc
    except library.exc.BleakBluetoothNotAvailableError as exc:
        raise BluetoothFault(_NO_BLUETOOTH.format(_reason(exc))) from exc
    except (library.exc.BleakError, EOFError) as exc:
        raise BluetoothFault(f"{address}: the connection failed, {_reason(exc)}") from exc
    except OSError as exc:
        raise BluetoothFault(_NO_BLUETOOTH.format(_reason(exc))) from exc


async def _said(client: Any, address: str, now_ms: Callable[[], int]) -> BluetoothAnswer:
    offered: dict[str, Any] = {}
    for one in client.services.characteristics.values():
        offered.setdefault(one.uuid, one)  # of two of a kind the first
    wanted = {n: offered[_UUID.format(n)] for n in CHARACTERISTICS if _UUID.format(n) in offered}
    if not wanted:
        known = ", ".join(f"{c.quantity} (0x{n:04X})" for n, c in CHARACTERISTICS.items())
        raise BluetoothFault(f"{address}: it offers none of {known}")
    values: dict[Quantity, float] = {}
    faults = []
    before = now_ms()
    for number, characteristic in wanted.items():
        raw = bytes(await client.read_gatt_char(characteristic))
        try:
            quantity, value = decoded(number, raw)
        except BadPayload as exc:
            faults.append(str(exc))
        else:
            values[quantity] = value
    return BluetoothAnswer(values, (before + now_ms()) // 2, "; ".join(faults))


class Receiver(threading.Thread):
    """Reads each Bluetooth sensor at its period, in a thread of its own: whatever radio and library
    do, nothing else waits for it. One connection at a time.

    Parameters
    ----------
    sensors : iterable of Sensor
        Those with a Bluetooth address.
    period_s : float
        From one reading of a sensor to its next. [s]
    keep : callable
        Takes a sensor, when its values were read [ms, by `now_ms`], and the values.
    now_ms : callable
    """

    def __init__(
        self,
        sensors: Iterable[AgentSensor],
        period_s: float,
        keep: Callable[[AgentSensor, int, dict[Quantity, float]], None],
        now_ms: Callable[[], int],
    ) -> None:
        super().__init__(name="bluetooth", daemon=True)
        self.sources = [SensorSource(sensor) for sensor in sensors]
        self._period_s, self._keep, self._now_ms = period_s, keep, now_ms
        self._asked_to_stop = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._over = asyncio.Event()

    def stop(self, wait_s: float) -> None:
        """Break off what is under way and end. [s]"""
        self._asked_to_stop.set()
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # it has ended by itself
                self._loop.call_soon_threadsafe(self._over.set)
        self.join(wait_s)

    def run(self) -> None:
        asyncio.run(self._follow_all())

    async def _follow_all(self) -> None:
        self._loop, turn = asyncio.get_running_loop(), asyncio.Lock()
        following = [asyncio.create_task(self._follow(one, turn)) for one in self.sources]
        if not self._asked_to_stop.is_set():
            await self._over.wait()
        for task in following:
            task.cancel()

    async def _follow(self, source: SensorSource, turn: asyncio.Lock) -> None:
        backoff = Backoff(RETRY_FIRST_S, self._period_s, spread=0.5)
        while True:
            began = asyncio.get_running_loop().time()
            said = BluetoothAnswer({}, 0, "")
            try:
                async with turn:
                    said = await read(source.sensor.bluetooth, self._now_ms)
                source.tell(said.trouble)
            except BluetoothFault as exc:
                source.tell(str(exc))
            except Exception as exc:
                # The outermost loop: what the library never should do must not end the others.
                log.exception("Bluetooth sensor failed address=%s", source.sensor.bluetooth)
                source.tell(f"{source.sensor.bluetooth}: could not be read, {exc!r}")
            if said.values:
                self._keep(source.sensor, said.at_ms, said.values)
                backoff.reset()
                took = asyncio.get_running_loop().time() - began
                await asyncio.sleep(max(0.0, self._period_s - took))
            else:
                await asyncio.sleep(backoff.wait_s())


def _library() -> Any:
    try:
        import bleak
        import bleak.exc
    except ImportError as exc:
        raise BluetoothFault(
            f"a Bluetooth sensor needs a package that is not installed ({exc.name}): "
            "pip install 'benchweather[bluetooth]'"
        ) from exc
    return bleak


def _reason(exc: BaseException) -> str:
    return getattr(exc, "strerror", None) or str(exc) or type(exc).__name__
