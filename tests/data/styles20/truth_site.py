"""The invented truth behind the files: loggers of the Harrow Tarn embankment and what each of them recorded.

Input: the tables below and nothing else; no clock, no randomness that is not seeded. Output: records, for make.py.
Numbering is as docs/wire-format.md has it: a sequence counts all records of an epoch, so a profile (the first record,
and one a day) and now and then an event use numbers between the readings.
"""

import math
import random
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone


@dataclass(frozen=True)
class Channel:
    """`shape` is base, slow swing, daily swing and noise in counts; for pulses it is the start and the chance of one."""

    raw_unit: int
    what: str
    shape: tuple


@dataclass(frozen=True)
class Logger:
    address: int
    name: str
    serial: int
    interval_s: int
    channels: tuple
    epochs: tuple  # (epoch, first record's time, last possible time)


@dataclass(frozen=True)
class Reading:
    epoch: int
    sequence: int
    time: datetime
    battery_mv: int
    board_centi: int | None
    counts: tuple  # a count, or None where the channel gave no value
    faults: tuple  # a fault code, or None


def utc(text):
    return datetime.fromisoformat(text).replace(tzinfo=timezone.utc)


def vw(base, what="vibrating wire"):
    return Channel(1, what, (base, 9000, 1500, 120))


def ntc(base, what="thermistor"):
    return Channel(2, what, (base, 60000, 20000, 900))


ALL_YEAR = utc("2026-12-01T00:00:00")
LOGGERS = {
    one.address: one
    for one in (
        Logger(17, "P-17", 220417, 900, (vw(2871456), ntc(5120000)), ((3, utc("2026-01-10T00:00:00"), ALL_YEAR),)),
        Logger(18, "P-18", 220418, 1800, (vw(2714208), ntc(5340000), vw(3002911), ntc(5290000)),
               ((1, utc("2025-11-03T09:30:00"), ALL_YEAR),)),
        Logger(23, "LC-1", 198002, 3600,
               (Channel(3, "load cell, full bridge", (1204711, 30000, 4000, 300)), ntc(4980000)),
               ((2, utc("2026-02-01T00:00:00"), ALL_YEAR),)),
        Logger(31, "W-2", 210031, 600, (Channel(4, "water level, 4-20 mA", (9412077, 400000, 60000, 2500)),),
               ((5, utc("2026-06-20T12:00:00"), ALL_YEAR),)),
        Logger(42, "T-4", 230042, 1800,
               (Channel(6, "tilt A", (12345678, 90000, 12000, 700)), Channel(6, "tilt B", (-3301234, 50000, 9000, 700)),
                ntc(5010000)), ((1, utc("2026-03-15T07:00:00"), ALL_YEAR),)),
        Logger(58, "R-1", 190058, 300, (Channel(7, "rain gauge", (10412, 0.09)),),
               ((1769904000, utc("2026-02-01T00:00:00"), ALL_YEAR),)),
        Logger(64, "P-64", 220464, 3600, (vw(2655120), vw(2801777), vw(2930404), vw(3110958)),
               ((4, utc("2026-01-20T00:00:00"), ALL_YEAR),)),
        Logger(77, "S-7", 210077, 900,
               (Channel(5, "settlement cell", (124345678, 800000, 90000, 4000)),
                Channel(5, "reference cell", (99876543, 500000, 90000, 4000))),
               ((3, utc("2026-01-05T00:00:00"), utc("2026-10-14T09:40:00")), (4, utc("2026-10-14T10:15:00"), ALL_YEAR))),
        Logger(101, "X-1", 230101, 900,
               (Channel(0, "turbidity probe", (2318844, 70000, 9000, 2000)),
                Channel(0, "seepage weir", (48211, 3000, 500, 40)),
                Channel(0, "soil moisture", (-1204, 300, 90, 6))), ((2, utc("2026-04-01T00:00:00"), ALL_YEAR),)),
        Logger(112, "J-12", 210112, 1200, (Channel(3, "joint meter, potentiometer", (451234567, 900000, 200000, 5000)),
                                           ntc(5205000)), ((1, utc("2026-05-11T06:00:00"), ALL_YEAR),)),
        Logger(305, "E-5", 220305, 900, (vw(2804412, "strain gauge"), vw(2433098, "strain gauge")),
               ((6, utc("2026-01-30T18:00:00"), ALL_YEAR),)),
        Logger(1204, "P-4", 231204, 1800, (vw(2959310), Channel(4, "barometer, 4-20 mA", (13204518, 200000, 20000, 900))),
               ((2, utc("2026-02-03T15:30:23"), ALL_YEAR),)),
    )
}


def count(channel, logger, index, k, t, chance, total):
    """One channel's counts at reading k. A pulse counter adds to its running total."""
    if channel.raw_unit == 7:
        wet = math.sin(k / 40) + math.sin(k / 311) > 1.2
        return total + (sum(chance.random() < channel.shape[1] for _ in range(4)) if wet else 0)
    base, slow, daily, noise = channel.shape
    day = t.timestamp() / 86400
    swing = slow * math.sin(2 * math.pi * day / 23 + index) + daily * math.sin(2 * math.pi * (day - 0.3) + index)
    return round(base + swing + chance.gauss(0, noise))


def records(address, first, last):
    """What the logger made from `first` to `last`, both included: its readings, and (epoch, sequence, time, kind) of the
    profiles and events between them."""
    logger = LOGGERS[address]
    first, last = utc(first), utc(last)
    out, between = [], []
    for epoch, start, end in logger.epochs:
        chance = random.Random(f"harrow tarn {address} {epoch}")
        totals = [c.shape[0] if c.raw_unit == 7 else 0 for c in logger.channels]
        sequence, k = 1, 0  # sequence 1 is the epoch's first profile
        t = start
        day = start
        others = [(epoch, 1, start, "profile")]
        while t <= min(end, last):
            if t - day >= timedelta(days=1):  # the daily profile
                sequence, day = sequence + 1, t
                others.append((epoch, sequence, t, "profile"))
            if chance.random() < 0.004:  # an event: the enclosure was opened, the clock was set
                sequence += 1
                others.append((epoch, sequence, t, "event"))
            sequence += 1
            counts, faults = [], []
            for index, channel in enumerate(logger.channels):
                value = count(channel, logger, index, k, t, chance, totals[index])
                totals[index] = value
                fault = None
                if channel.raw_unit != 7 and chance.random() < 0.012:
                    fault = chance.choice((1, 3, 5))
                counts.append(None if fault else value)
                faults.append(fault)
            hour = t.hour + t.minute / 60
            board = round(640 + 900 * math.sin(2 * math.pi * (hour - 16) / 24)
                          - 1100 * math.cos(2 * math.pi * (t.timetuple().tm_yday - 15) / 365) + chance.gauss(0, 20))
            battery = round(3640 - (t - start).total_seconds() / 86400 + chance.gauss(0, 3))
            if chance.random() < 0.003:
                board = None  # not measured
            if t >= first:
                out.append(Reading(epoch, sequence, t, battery, board, tuple(counts), tuple(faults)))
            t += timedelta(seconds=logger.interval_s)
            k += 1
        between += [one for one in others if one[2] >= first]
    return out, between
