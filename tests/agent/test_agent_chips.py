"""The agent's reading end against the kernel's own description of its interfaces."""

from __future__ import annotations

from pathlib import Path

import pytest
from agent_fixtures import Board, settle

from monitor.core.measurements import Quantity
from sensors.agent import board_status, discovery
from sensors.agent.chips import ChipFault, chip_called, chips, chosen, handles
from sensors.agent.sampling import ChipSensor
from sensors.agent.settings import AgentSensor

T, H, P = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE


@pytest.fixture
def board(tmp_path):
    return Board(tmp_path / "root")


def values(board):
    (chip,) = chips(board.root)
    return {channel.name: (channel.quantity, channel.read()) for channel in chip.channels}


# Source: Linux, Documentation/ABI/testing/sysfs-bus-iio: in_temp_input "Scaled temperature
# measurement in milli degrees Celsius", in_humidityrelative_input "Scaled humidity measurement in
# milli percent", in_pressure_input "Scaled pressure measurement from channel Y, in kilopascal".
# The texts are what a chip of that kind was seen to give (public repositories). Exact arithmetic.
def test_scaled_iio_values_are_in_the_kernels_units(board):
    board.iio(
        name="bme280",
        in_temp_input="24380",
        in_humidityrelative_input="39396",
        in_pressure_input="102.129031250",
    )
    assert values(board) == {
        "humidityrelative": (H, pytest.approx(39.396)),
        "pressure": (P, pytest.approx(102_129.031_25)),
        "temp": (T, pytest.approx(24.38)),
    }


# Source: the same document: offset is "to be added to <type>[Y]_raw prior to scaling by
# <type>[Y]_scale"; units afterwards are milli degrees Celsius, milli percent, kilopascal.
@pytest.mark.parametrize(
    ("files", "name", "value"),
    [
        (
            {
                "in_temp_raw": "25712",
                "in_temp_offset": "-15887.515151",
                "in_temp_scale": "2.517700195",
            },
            "temp",
            (25_712 - 15_887.515151) * 2.517700195 / 1000,
        ),
        (
            {"in_humidityrelative_raw": "30000", "in_humidityrelative_scale": "1.525878906"},
            "humidityrelative",
            30_000 * 1.525878906 / 1000,
        ),
        ({"in_pressure_raw": "1013250", "in_pressure_scale": "0.0001"}, "pressure", 101_325.0),
        # "If Y or axis is not present, then the offset applies to all in channels of <type>."
        ({"in_temp1_raw": "2000", "in_temp_scale": "10"}, "temp1", 20.0),
        ({"in_temp1_raw": "2000", "in_temp_scale": "99", "in_temp1_scale": "10"}, "temp1", 20.0),
        (
            {"in_temp_object_raw": "1500", "in_temp_object_offset": "500", "in_temp_scale": "10"},
            "temp_object",
            20.0,
        ),
        # A value that the driver has scaled itself goes before a raw one.
        ({"in_temp_raw": "1", "in_temp_input": "20000"}, "temp", 20.0),
        ({"in_temp_input": "-5250"}, "temp", -5.25),
    ],
)
def test_raw_iio_values_take_offset_then_scale(board, files, name, value):
    board.iio(name="chip", **files)
    assert values(board)[name][1] == pytest.approx(value, rel=1e-12)


def test_what_is_no_present_value_is_no_channel(board):
    # Source: the same document: peak, trough and mean are of the past.
    board.iio(
        name="chip",
        in_temp_peak_raw="1",
        in_temp_trough_raw="1",
        in_temp_mean_raw="1",
        in_temp_scale="10",
        in_accel_x_raw="7",
        in_temp_input="20000",
    )
    assert list(values(board)) == ["temp"]


# Source: Linux, Documentation/hwmon/sysfs-interface.rst: temp[1-*]_input in millidegree Celsius,
# humidity[1-*]_input in milli-percent, temp[1-*]_label.
def test_hwmon_values_are_in_the_kernels_units(board):
    board.hwmon(name="sht3x", temp1_input="21430", humidity1_input="47210", temp1_label="air")
    assert values(board) == {"humidity1": (H, 47.21), "temp1": (T, 21.43)}
    (chip,) = chips(board.root)
    assert [channel.label for channel in chip.channels] == ["", "air"]
    assert chip.id == "sht3x@1-0044"


def test_a_channel_that_says_it_is_at_fault_is_not_believed(board):
    # Source: the same document: temp[1-*]_fault, "when this boolean has value 1, the measurement
    # for that channel should not be trusted".
    board.hwmon(
        name="chip", temp1_input="21430", temp1_fault="1", temp2_input="20000", temp2_fault="0"
    )
    one, two = chips(board.root)[0].channels
    with pytest.raises(ChipFault, match="temp1: the chip itself says"):
        one.read()
    assert two.read() == 20.0


@pytest.mark.parametrize(
    ("files", "said"),
    [
        ({"in_temp_input": "21\x004\n"}, "not a number"),
        ({"in_temp_input": "NaN"}, "'NaN' is not a number"),
        ({"in_temp_input": "inf"}, "not a number"),
        ({"in_temp_input": "-"}, "not a number"),
        ({"in_temp_input": "\n"}, "'' is not a number"),
        ({"in_temp_input": "2 1\n"}, "not a number"),
        ({"in_temp_input": "0x1F"}, "not a number"),
        ({"in_temp_input": "21,4"}, "not a number"),
        ({"in_temp_input": "٢١\n"}, "not a number"),
        ({"in_temp_input": "1_000"}, "not a number"),
        ({"in_temp_input": "85001"}, r"temperature = 85\.001 °C: must be -60 to 85 °C"),
        ({"in_temp_input": "-60001"}, "must be -60 to 85 °C"),
        ({"in_humidityrelative_input": "105001"}, "humidity = 105.001 %: must be 0 to 105 %"),
        ({"in_pressure_input": "1013.25"}, "pressure = 1.01325e"),
        ({"in_temp_raw": "25712"}, "gives no scale"),
        ({"in_temp_raw": "25712", "in_temp_scale": "nan"}, "in_temp_scale: 'nan' is not a number"),
    ],
)
def test_a_value_that_cannot_be_believed_is_refused_with_the_reason(board, files, said):
    board.iio(name="chip", **files)
    (channel,) = chips(board.root)[0].channels
    with pytest.raises(ChipFault, match=said) as caught:
        channel.read()
    assert caught.value.retryable


@pytest.mark.parametrize("half", ["", "214", "-", "NaN", "21430 "])
def test_a_half_written_value_is_refused(board, half):
    folder = board.iio(name="chip", in_temp_input="21430")
    (folder / "in_temp_input").write_text(half)
    with pytest.raises(ChipFault, match=f"{half!r} is cut short"):
        chips(board.root)[0].channels[0].read()


@pytest.mark.skipif(not Path("/proc/self/mem").exists(), reason="no file here that refuses a read")
def test_a_chip_that_does_not_answer_on_its_bus_is_told_and_read_again(board, caplog):
    folder = board.iio(name="bme280", in_temp_input="20000", in_pressure_input="100.0")
    one = station(board)
    value = folder / "in_temp_input"
    value.unlink()
    value.symlink_to("/proc/self/mem")  # whose first byte is really refused, with EIO
    assert one.sample() == {P: 100_000.0}
    assert one.trouble == "in_temp_input: Input/output error"
    value.unlink()
    value.write_text("20100\n")
    assert one.sample() == {T: 20.1, P: 100_000.0}
    assert one.trouble == ""


@pytest.mark.parametrize("low_high", [("-60000", -60.0), ("85000", 85.0)])
def test_both_ends_of_the_range_are_believed(board, low_high):
    board.iio(name="chip", in_temp_input=low_high[0])
    assert chips(board.root)[0].channels[0].read() == low_high[1]


def test_a_chip_keeps_its_name_when_the_kernel_numbers_it_anew(tmp_path):
    for turn, order in enumerate((("1-0076", "1-0077"), ("1-0077", "1-0076"))):
        board = Board(tmp_path / str(turn))
        for device in order:
            board.iio(f"i2c-1/{device}", name="bme280", in_temp_input=f"2{device[-1]}000")
        chip = chip_called("bme280@1-0077", chips(board.root))
        assert chip.channels[0].read() == 27.0


def test_a_name_that_fits_two_chips_is_refused_with_both(board):
    board.iio("i2c-1/1-0076", name="bme280", in_temp_input="20000")
    board.iio("i2c-1/1-0077", name="bme280", in_temp_input="20000")
    with pytest.raises(ChipFault, match="may be one of bme280@1-0076, bme280@1-0077: name one"):
        chip_called("bme280", chips(board.root))
    with pytest.raises(ChipFault, match="no chip 'bmp280' is there now: there is bme280@1-0076"):
        chip_called("bmp280", chips(board.root))


def test_one_chip_under_both_interfaces_is_told_apart(board):
    board.iio("i2c-1/1-0044", name="sht", in_temp_input="20000")
    board.hwmon("i2c-1/1-0044", name="sht", temp1_input="21000")
    there = chips(board.root)
    assert handles(there) == ["iio:sht@1-0044", "hwmon:sht@1-0044"]
    assert [chip_called(h, there).channels[0].read() for h in handles(there)] == [20.0, 21.0]


def test_two_channels_of_one_quantity_want_a_choice(board):
    board.iio(name="ir", in_temp_ambient_input="20000", in_temp_object_input="18000")
    (chip,) = chips(board.root)
    with pytest.raises(
        ChipFault, match="temperature twice, temp_ambient and temp_object: name one"
    ):
        chosen(chip, {})
    picked = chosen(chip, {T: "temp_ambient", Quantity.SURFACE_TEMPERATURE: "temp_object"})
    assert {q: c.read() for q, c in picked.items()} == {
        T: 20.0,
        Quantity.SURFACE_TEMPERATURE: 18.0,
    }
    with pytest.raises(ChipFault, match="no channel 'temp9': it has temp_ambient, temp_object"):
        chosen(chip, {T: "temp9"})


def station(board, reads=5, chip="bme280", **more):
    sensor = AgentSensor("front-bench", "fb-1", chip)
    return ChipSensor(sensor, board.root, reads, 0.1, wait=more.pop("wait", lambda _: None))


def scripted(folder, name, texts):
    """Let a value change between two reads of a sample."""
    rest = iter(texts[1:])
    settle(folder / name, texts[0])
    return lambda _: settle(folder / name, next(rest))


def test_a_sample_is_the_median_of_its_reads(board):
    folder = board.iio(name="bme280", in_temp_input="0")
    turn = scripted(
        folder, "in_temp_input", [f"{t}\n" for t in (20_000, 84_000, 20_200, -40_000, 20_100)]
    )
    assert station(board, wait=turn).sample() == {T: pytest.approx(20.1)}


def test_bad_reads_in_a_sample_are_passed_over_while_most_are_good(board):
    folder = board.iio(name="bme280", in_temp_input="0")
    turn = scripted(folder, "in_temp_input", ["NaN\n", "20000\n", "20", "20200\n", "20100\n"])
    one = station(board, wait=turn)
    assert one.sample() == {T: pytest.approx(20.1)}
    assert one.trouble == ""


def test_a_quantity_whose_reads_are_mostly_bad_is_left_out_and_the_others_go_on(board, caplog):
    board.iio(name="bme280", in_temp_input="20000", in_humidityrelative_input="NaN")
    one = station(board)
    assert one.sample() == {T: 20.0}
    assert "in_humidityrelative_input: 'NaN' is not a number" in one.trouble
    for _ in range(3):
        one.sample()
    assert caplog.text.count("cannot be read") == 1  # told once, not each time


def test_a_chip_that_vanishes_is_told_and_taken_up_again(board, caplog):
    caplog.set_level("INFO")
    folder = board.iio(name="bme280", in_temp_input="20000")
    one = station(board)
    assert one.sample() == {T: 20.0}
    target = folder.readlink()
    folder.unlink()
    assert one.sample() == {}
    assert one.trouble == "no chip 'bme280' is there now: no chip was found"
    folder.symlink_to(target)
    assert one.sample() == {T: 20.0}
    assert one.trouble == ""
    assert "reads again" in caplog.text


def test_a_number_that_passes_to_another_chip_is_not_read_for_the_first(board):
    mine = board.iio("i2c-1/1-0076", name="bme280", in_temp_input="20000")
    other = board.iio("i2c-1/1-0077", name="bme280", in_temp_input="33000")
    one = station(board, chip="bme280@1-0076")
    assert one.sample() == {T: 20.0}
    target = other.readlink()
    mine.unlink()
    other.unlink()
    mine.symlink_to(target)  # iio:device0 is now the other one
    assert one.sample() == {}
    assert "no chip 'bme280@1-0076' is there now: there is bme280@1-0077" in one.trouble


def test_an_older_hwmon_driver_is_read_in_its_devices_folder(board):
    # Source: Linux, Documentation/hwmon/sysfs-interface.rst: attributes "in the physical device
    # directory", and since then also in the class device directory.
    entry = board.hwmon(name="", temp1_input="1")
    for file in ("name", "temp1_input"):
        (entry / file).unlink()
    (entry / "device/name").write_text("old\n")
    (entry / "device/temp1_input").write_text("21430\n")
    (chip,) = chips(board.root)
    assert (chip.id, chip.channels[0].read(), chip.present()) == ("old@1-0044", 21.43, True)


# Source: Linux, Documentation/ABI/testing/sysfs-class-power: type is Battery, UPS, Mains, USB or
# Wireless; capacity is "0 - 100 (percent)".
@pytest.mark.parametrize(
    ("supplies", "charge"),
    [
        ([], None),
        ([("Mains", "100")], None),
        ([("Battery", "83")], 83),
        ([("Battery", "83"), ("Battery", "12")], 12),
        ([("Battery", "x")], None),
        ([("Battery", "101")], None),
    ],
)
def test_the_emptiest_battery_counts(board, supplies, charge):
    for number, (kind, capacity) in enumerate(supplies):
        board.battery(kind, capacity, f"bat{number}")
    assert board_status.battery_pct(board.root) == charge


# Source: Linux, net/wireless/wext-proc.c: "%6s: %04x  %3d%c  %3d%c  %3d%c  %6d ...", face, status,
# quality, level, noise; level is below 0 where it is in dBm.
@pytest.mark.parametrize(
    ("lines", "level"),
    [
        ((), None),
        ((" wlan0: 0000   54.  -56.  -256        0      0      0      0     12        0",), -56),
        ((" wlan0: 0000   54   -71   -256        0      0      0      0     12        0",), -71),
        ((" wlan0: 0000   54.   60.     0        0      0      0      0     12        0",), None),
        ((" wlan0: cut",), None),
    ],
)
def test_the_radio_signal_is_read_where_it_is_in_dbm(board, lines, level):
    board.wireless(*lines)
    assert board_status.signal_dbm(board.root) == level


def test_find_lists_chips_values_and_settings_that_can_be_used(board, tmp_path):
    import tomllib

    from sensors.agent.settings import load

    board.iio(
        "i2c-1/1-0076", name="bme280", in_temp_input="24380", in_humidityrelative_input="39396"
    )
    board.iio(
        "i2c-1/1-005a",
        name="ir",
        in_temp_ambient_input="20000",
        in_temp_object_input="NaN",
        in_pressure_input="100.0",
    )
    board.hwmon("soc", name="cpu_thermal", temp1_input="48000", temp1_label="package")
    board.battery("Battery", "83")
    text, there = discovery.discovery_text(board.root, tmp_path / "sensor.toml")
    assert there
    for said in (
        "24.38 °C",
        "39.4 %",
        "100000 Pa",
        "not a number",
        "(package)",
        "the machine's own heat",
        "Battery: 83 %",
    ):
        assert said in text
    example = text[text.index("[broker]") :]
    assert [s["chip"] for s in tomllib.loads(example)["sensors"]] == ["bme280@1-0076", "ir@1-005a"]
    (tmp_path / "sensor.toml").write_text(example)
    for sensor in load(tmp_path / "sensor.toml", {}).sensors:
        chosen(chip_called(sensor.chip, chips(board.root)), sensor.take)


def test_find_says_where_it_looked_when_there_is_nothing(board):
    text, there = discovery.discovery_text(board.root, board.root / "sensor.toml")
    assert not there
    assert "sys/bus/iio/devices (not there)" in text
    assert "What is usually missing" in text
