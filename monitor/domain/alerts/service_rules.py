"""Rules on sensors, tanks and the service itself."""

from __future__ import annotations

from monitor.domain.alerts.rule import HOUR_S, MINUTE_S, Rule, Test, flag_rule
from monitor.domain.cautions import HUMIDIFIER


def sensors_rules() -> tuple[Rule, ...]:
    behind = ("broker-away", "store-trouble")
    return (
        Rule(
            id="sensor-silent",
            name="Silent",
            quantity="silent_s",
            test=Test.ABOVE,
            high=1_800.0,
            urgency=2,
            hold_s=5 * MINUTE_S,
            calm_s=10 * MINUTE_S,
            repeat_s=24 * HOUR_S,
            under=behind,
            why="It has sent nothing for half an hour. Its place is not monitored.",
            source="ours",
            do=(
                "Check its power, battery and network. If the Sensors page says so, check its "
                "clock."
            ),
        ),
        Rule(
            id="sensor-stuck",
            name="Stuck",
            quantity="unchanged_s",
            test=Test.ABOVE,
            high=6.0 * HOUR_S,
            urgency=2,
            calm_s=HOUR_S,
            under=behind,
            why="Its humidity reading has not changed at all for hours. Real air always changes.",
            source="ours",
            do="Restart it. If it stays stuck, replace it. Do not trust its readings.",
        ),
        Rule(
            id="sensor-saturated",
            name="Reads 99 % or more",
            quantity="saturated_s",
            test=Test.ABOVE,
            high=3.0 * HOUR_S,
            urgency=2,
            calm_s=2 * HOUR_S,
            under=behind,
            why="Indoors this means a wet or broken sensor, or water where none should be.",
            source="ours",
            do="Check the place first, then the sensor. Let the sensor dry.",
        ),
        Rule(
            id="battery-low",
            name="Battery low",
            quantity="battery",
            test=Test.BELOW,
            low=15.0,
            back=10.0,
            urgency=1,
            hold_s=HOUR_S,
            calm_s=HOUR_S,
            under=behind,
            why="It will soon stop sending.",
            source="ours",
            do="Change its battery.",
        ),
        Rule(
            id="calibration-due",
            name="Calibration due",
            quantity="calibrated_s",
            test=Test.ABOVE,
            high=365.0 * 24 * HOUR_S,
            urgency=1,
            calm_s=0,
            repeat_s=14 * 24 * HOUR_S,
            why=(
                "Its last calibration was a year ago. Ordinary hygrometers drift, and "
                "solvents make them drift faster."
            ),
            source="common practice, no source",
            do="Calibrate it. Its page under Sensors shows each step.",
        ),
        flag_rule(
            id="jar-rested",
            name="Steady in its jar",
            quantity="rested",
            urgency=1,
            calm_s=0,
            why="Its reading over the salt no longer changes.",
            source="slope and spread of its readings",
            do=(
                "Record the point on its page under Sensors. Then put the sensor in the next "
                "jar or back at its place."
            ),
        ),
    )


def shop_rules() -> tuple[Rule, ...]:
    return (
        Rule(
            id="reservoir-due",
            name="Tank needs filling",
            quantity="due_s",
            test=Test.ABOVE,
            high=0.0,
            urgency=1,
            calm_s=0,
            repeat_s=24 * HOUR_S,
            why=(
                "The tank should be empty by now: the usual time since it was last filled has "
                "passed."
            ),
            source="the time that a filling lasts, from the settings",
            do="Empty, clean and fill it. Then record that it is filled.",
            caution=HUMIDIFIER,
        ),
        flag_rule(
            id="broker-away",
            name="No readings arrive",
            quantity="broker_away",
            urgency=3,
            hold_s=2 * MINUTE_S,
            calm_s=MINUTE_S,
            repeat_s=12 * HOUR_S,
            family="service",
            why="The broker that passes on the sensors' messages does not answer.",
            source="ours",
            do="Check the broker's machine and network.",
        ),
        flag_rule(
            id="store-trouble",
            name="Readings not stored",
            quantity="store_trouble",
            urgency=3,
            hold_s=2 * MINUTE_S,
            calm_s=MINUTE_S,
            repeat_s=12 * HOUR_S,
            family="service",
            why="The database cannot be written. Until it can, messages wait in the broker.",
            source="ours",
            do="Make space on the disk, or check the disk's health.",
        ),
        flag_rule(
            id="clock-jump",
            name="Clock jumped",
            quantity="clock_jump",
            urgency=2,
            calm_s=HOUR_S,
            repeat_s=24 * HOUR_S,
            family="service",
            why=(
                "The clock of the shop's computer jumped, or was wrong when Benchweather "
                "started. Readings and ready times depend on it."
            ),
            source="ours",
            do=(
                "Look at the clock. If it is wrong, set it and turn on network time. Then look on "
                "Sensors for readings that were kept aside."
            ),
        ),
        flag_rule(
            id="backup-failed",
            name="Backup failed",
            quantity="backup_trouble",
            urgency=2,
            calm_s=0,
            repeat_s=24 * HOUR_S,
            why="If the disk fails now, everything since the last good backup is lost.",
            source="ours",
            do=(
                "Check that the disk of the backup folder is connected and has space. Then run "
                "benchweather backup make."
            ),
        ),
        Rule(
            id="disk-low",
            name="Disk nearly full",
            quantity="disk_free",
            test=Test.BELOW,
            low=0.5,
            back=0.2,
            urgency=2,
            hold_s=5 * MINUTE_S,
            repeat_s=24 * HOUR_S,
            why="Without free space no readings can be stored.",
            source="ours",
            do="Make space on the disk that holds the data folder.",
        ),
    )
