"""A D-Bus of the tests' own with a Bluetooth service on it: what the real library talks to on Linux.

It answers by the interfaces of BlueZ (org.bluez.Adapter1, Device1, GattService1 and
GattCharacteristic1 in its documentation): from memory, and as the library calls them. There is no
radio behind it. Annotations are D-Bus signatures here.
"""
# ruff: noqa: N802, F722, F821 - D-Bus names and signatures

import asyncio
import subprocess
import threading
from pathlib import Path

from conftest import needs, until
from dbus_fast import DBusError, PropertyAccess, Variant
from dbus_fast.aio import MessageBus
from dbus_fast.service import ServiceInterface, dbus_method, dbus_property

BASE = "0000{:04x}-0000-1000-8000-00805f9b34fb"
READ = PropertyAccess.READ
CONFIG = """<busconfig><type>session</type><listen>unix:path={}</listen><auth>EXTERNAL</auth>
<policy context="default"><allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/>
<allow own="*"/></policy></busconfig>"""


class Adapter(ServiceInterface):
    def __init__(self, radio):
        super().__init__("org.bluez.Adapter1")
        self.radio = radio

    @dbus_property(access=READ)
    def Address(self) -> "s":
        return "00:11:22:33:44:55"

    @dbus_property(access=READ)
    def Powered(self) -> "b":
        return True

    @dbus_property(access=READ)
    def Roles(self) -> "as":
        return ["central"]

    @dbus_property(access=READ)
    def Discovering(self) -> "b":
        return self.radio.discovering

    @dbus_method()
    def SetDiscoveryFilter(self, properties: "a{sv}"):
        self.radio.filter = properties

    @dbus_method()
    def StartDiscovery(self):
        self._discover(True)
        self.radio.advertising = asyncio.get_running_loop().create_task(self._advertise())

    async def _advertise(self):
        while self.radio.discovering:
            for sensor in self.radio.sensors.values():
                if sensor.awake:
                    sensor.emit_properties_changed({"RSSI": sensor.rssi})
            await asyncio.sleep(0.05)

    @dbus_method()
    def StopDiscovery(self):
        self._discover(False)

    def _discover(self, on):
        self.radio.discovering = on
        self.emit_properties_changed({"Discovering": on})


class Sensor(ServiceInterface):
    """A device. `values` has what its characteristics hold, by number; `connects` says how it takes a
    connection: "well", "refuses" or "hangs"."""

    def __init__(self, path, address, called, values, rssi=-60, services=(0x181A,)):
        super().__init__("org.bluez.Device1")
        self.path, self.address, self.called, self.values = path, address, called, values
        self.rssi, self.services = rssi, services
        self.connects, self.awake, self.connected, self.times = "well", True, False, 0

    @dbus_property(access=READ)
    def Address(self) -> "s":
        return self.address

    @dbus_property(access=READ)
    def AddressType(self) -> "s":
        return "random"

    @dbus_property(access=READ)
    def Name(self) -> "s":
        return self.called

    @dbus_property(access=READ)
    def Alias(self) -> "s":
        return self.called

    @dbus_property(access=READ)
    def RSSI(self) -> "n":
        return self.rssi

    @dbus_property(access=READ)
    def UUIDs(self) -> "as":
        return [BASE.format(number) for number in self.services]

    @dbus_property(access=READ)
    def Paired(self) -> "b":
        return False

    @dbus_property(access=READ)
    def Connected(self) -> "b":
        return self.connected

    @dbus_property(access=READ)
    def ServicesResolved(self) -> "b":
        return self.connected

    @dbus_property(access=READ)
    def Adapter(self) -> "o":
        return "/org/bluez/hci0"

    @dbus_method()
    async def Connect(self):
        self.times += 1
        if self.connects == "hangs":
            await asyncio.sleep(600)
        if self.connects == "refuses":
            raise DBusError("org.bluez.Error.Failed", "le-connection-abort-by-remote")
        self.link(True)

    @dbus_method()
    def Disconnect(self):
        self.link(False)

    def link(self, up):
        self.connected = up
        self.emit_properties_changed({"Connected": up, "ServicesResolved": up})


class Service(ServiceInterface):
    def __init__(self, device):
        super().__init__("org.bluez.GattService1")
        self.device = device

    @dbus_property(access=READ)
    def UUID(self) -> "s":
        return BASE.format(0x181A)

    @dbus_property(access=READ)
    def Primary(self) -> "b":
        return True

    @dbus_property(access=READ)
    def Device(self) -> "o":
        return self.device


class Characteristic(ServiceInterface):
    def __init__(self, service, sensor, number):
        super().__init__("org.bluez.GattCharacteristic1")
        self.service, self.sensor, self.number = service, sensor, number

    @dbus_property(access=READ)
    def UUID(self) -> "s":
        return BASE.format(self.number)

    @dbus_property(access=READ)
    def Service(self) -> "o":
        return self.service

    @dbus_property(access=READ)
    def Flags(self) -> "as":
        return ["read"]

    @dbus_method()
    async def ReadValue(self, options: "a{sv}") -> "ay":
        value = self.sensor.values[self.number]
        if value == "goes away":
            self.sensor.link(False)
            await asyncio.sleep(600)
        return value


class Radio:
    """The bus and what is on it, in a thread of its own; `address` is the bus's."""

    def __init__(self, folder: Path, sensors):
        self.socket = folder / "bus"
        self.address = f"unix:path={self.socket}"
        self.discovering, self.filter = False, {}
        self.sensors = {
            one["address"]: Sensor(
                f"/org/bluez/hci0/dev_{one['address'].replace(':', '_')}", **one
            )
            for one in sensors
        }
        config = folder / "bus.conf"
        config.write_text(CONFIG.format(self.socket))
        self._daemon = subprocess.Popen(
            [needs("dbus-daemon", "dbus-daemon"), "--config-file", str(config), "--nofork"]
        )
        until(self.socket.exists, what="the bus is there")
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self._in_loop(self._serve())

    def set(self, address, **more):
        for name, value in more.items():
            setattr(self.sensors[address], name, value)

    def stop(self):
        async def leave():
            self._bus.disconnect()
            for task in asyncio.all_tasks() - {asyncio.current_task()}:
                task.cancel()
            await asyncio.sleep(0)

        self._in_loop(leave())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(60)
        self._loop.close()
        self._daemon.terminate()
        self._daemon.wait(60)

    def _in_loop(self, coroutine):
        return asyncio.run_coroutine_threadsafe(coroutine, self._loop).result(10)

    async def _serve(self):
        self._bus = await MessageBus(bus_address=self.address).connect()
        self._bus.export("/org/bluez/hci0", Adapter(self))
        for sensor in self.sensors.values():
            self._bus.export(sensor.path, sensor)
            if 0x181A in sensor.services:
                self._bus.export(f"{sensor.path}/service000a", Service(sensor.path))
            for i, number in enumerate(sensor.values):
                self._bus.export(
                    f"{sensor.path}/service000a/char{11 + 2 * i:04x}",
                    Characteristic(f"{sensor.path}/service000a", sensor, number),
                )
        await self._bus.request_name("org.bluez")


__all__ = ["BASE", "Radio", "Variant"]
