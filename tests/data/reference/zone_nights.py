"""Writes zone_nights.csv: local times around changes of civil time, and the instants that they are.

Python's zoneinfo, with the tzdata package's copy of the IANA database. Each night is walked through in steps of UTC,
so a reader that goes through the file in order meets an hour twice in autumn, and misses one in spring.
"""

import csv
import sys
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo

ZONES = ["Europe/Oslo", "America/Denver", "Australia/Lord_Howe", "Pacific/Auckland", "America/Santiago",
         "Asia/Kathmandu", "Africa/Casablanca", "America/St_Johns"]
STEPS_MIN = [10, 15, 30]

out = csv.writer(sys.stdout, lineterminator="\n")
out.writerow(["zone", "night", "step_min", "local", "unix_s", "fold"])
for name in ZONES:
    zone = ZoneInfo(name)
    at = datetime(2024, 1, 1, tzinfo=timezone.utc)
    nights, last = [], at.astimezone(zone).utcoffset()
    while at.year < 2026:
        at += timedelta(minutes=15)
        now = at.astimezone(zone).utcoffset()
        if now != last:
            nights.append(at)
            last = now
    for night, change in enumerate(nights or [datetime(2024, 6, 1, tzinfo=timezone.utc)]):
        for step in STEPS_MIN:
            t = change - timedelta(hours=4)
            while t <= change + timedelta(hours=4):
                local = t.astimezone(zone)
                out.writerow([name, night, step, local.strftime("%Y-%m-%d %H:%M"), int(t.timestamp()), local.fold])
                t += timedelta(minutes=step)
