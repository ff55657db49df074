"""Every value of a random site, worked out by code that shares nothing with the program, from what is true of the site.

Reads a site and the program's answers as JSON (tests/values_random.rs writes it). The site knows the raw unit of each
reading also where the profile that says it is lost; the program must not guess it. So an outcome here is a set: where a
profile may be lost, a reading may have its value or none, and what follows from it follows from both. Where nothing is
lost the set has one member. Prints what does not fit, then one line of counts. Formulas: docs/units.md; the Python
standard library only.
"""
import itertools, json, math, sys

ABSENT = None
site = json.load(open(sys.argv[1]))
PER_UNIT = {"count": 1, "milli_hertz": 1e3, "milli_ohm": 1e3, "nano_ratio": 1e9, "nano_amp": 1e6, "ten_nano_volt": 1e8}
KIND = {"milli_hertz": "Hz", "milli_ohm": "ohm", "nano_amp": "mA"}
TO_KPA = {"kPa": 1.0, "hPa": 0.1}

# Records in the order in which each logger made them; the unit of each channel follows from the profiles, held or not.
readings = {}
for logger in site["loggers"]:
    mine = [r for r in site["records"] if r["logger"] == logger["address"]]
    mine.sort(key=lambda r: (r["epoch"], r["sequence"]))
    units, sure, epoch = [], False, None
    for record in mine:
        if record["epoch"] != epoch:
            sure, epoch = False, record["epoch"]
        if record["kind"] == "profile":
            units, sure = record["units"], record["held"]
        elif not record["held"]:
            sure = False
        else:
            readings.setdefault(logger["address"], []).append(dict(record, true=units, sure=sure))
for mine in readings.values():
    mine.sort(key=lambda r: r["time"])


def holds(entry, at):
    return entry["from"] <= at and (entry["until"] is None or at < entry["until"])


def stay_at(point, at):
    return next((s for s in site["points"] if s["name"] == point and holds(s, at)), None)


def sheet_at(point, serial, at):
    of = (c for c in site["calibrations"] if c["point"] == point and c["serial"] == serial)
    return next((c for c in of if holds(c, at)), None)


def derived_at(name, at):
    return next((d for d in site["derived"] if d["name"] == name and holds(d, at)), None)


def is_derived(name):
    return any(d["name"] == name for d in site["derived"])


def converted(form, unit, count):
    x = count / PER_UNIT[unit]
    kind = form["kind"]
    if kind == "polynomial":
        return form["c0"] + form["c1"] * x + form["c2"] * x * x
    if kind == "vibrating_wire_linear":
        if KIND.get(unit) != "Hz" or x <= 0:
            return ABSENT
        reading = x * x / 1000 if form["reading_unit"] == "10*3.Hz2" else x
        change = reading - form["zero_reading"]
        return form["factor"] * (change if form["difference"] == "reading_minus_zero" else -change)
    if kind == "thermistor_beta":
        if KIND.get(unit) != "ohm" or x <= 0:
            return ABSENT
        celsius = 1 / (1 / 298.15 + math.log(x / form["resistance_at_25_c_ohm"]) / form["beta"]) - 273.15
        return celsius if -60 <= celsius <= 160 else ABSENT
    if kind == "loop_4_20_ma":
        if KIND.get(unit) != "mA" or not 3.8 <= x <= 20.5:
            return ABSENT
        return form["at_4_ma"] + (form["at_20_ma"] - form["at_4_ma"]) * (x - 4) / 16
    if kind == "table":
        rows = form["rows"]
        for (x0, y0), (x1, y1) in zip(rows, rows[1:]):
            if x0 <= x <= x1:
                return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
        return ABSENT
    raise ValueError(kind)


def each(outcomes, work):
    """What follows from each of several outcomes; an outcome is (value or ABSENT, marks)."""
    found = set()
    for outcome in outcomes:
        found |= work(outcome)
    return found


def own(stay, reading, by):
    """A point at one of its readings, by the sheet that holds at `by`."""
    channel = stay["channel"]
    sheet = sheet_at(stay["name"], stay["serial"], by)
    if sheet is None or channel in reading["faults"] or channel >= len(reading["counts"]):
        return {(ABSENT, frozenset())}
    value = converted(sheet["form"], reading["true"][channel], reading["counts"][channel])
    outcomes = {(value, frozenset())}
    if not reading["sure"]:
        outcomes.add((ABSENT, frozenset()))
    for key in ("temperature", "barometer"):
        if sheet[key] is not None:
            outcomes = each(outcomes, lambda outcome: corrected(outcome, sheet[key], key, reading))
    return outcomes


def corrected(outcome, correction, key, reading):
    value, marks = outcome
    if value is ABSENT:
        return {outcome}
    found = set()
    for t1, its in at_time(correction["point"], reading["time"], correction["within_s"], reading):
        marked = marks | its
        if t1 is ABSENT:
            missing = correction["when_missing"]
            if missing == "absent":
                found.add((ABSENT, frozenset()))
                continue
            if missing == "omit":
                found.add((value, marks | {"omitted"}))
                continue
            t1, marked = missing, marks | {"fixed"}
        elif key == "barometer":
            # From the unit of its point to that of S0.
            t1 = t1 * TO_KPA["kPa"] / TO_KPA[correction["unit"]]
        if key == "temperature":
            amount = correction["temperature_factor"] * (t1 - correction["reference_temperature_c"])
        else:
            amount = -correction["air_pressure_factor"] * (t1 - correction["reference_pressure"]) * TO_KPA[correction["unit"]]
        found.add((value + amount, frozenset(marked)))
    return found


def leader(name, at):
    while is_derived(name):
        name = derived_at(name, at)["of"][0] if derived_at(name, at) else None
    return name


def at_time(name, at, within_s, reading=None):
    entry = derived_at(name, at)
    if is_derived(name) and entry is None:
        return {(ABSENT, frozenset())}
    lead = leader(name, at)
    stay = stay_at(lead, at) if lead else None
    if stay is None:
        return {(ABSENT, frozenset())}
    mine = readings.get(stay["logger"], [])
    has = [r for r in mine if stay["channel"] < len(r["counts"]) and holds(stay, r["time"])]
    near = [r for r in has if abs(r["time"] - at) <= within_s]
    exact = [r for r in has if r["time"] == at]
    value_at = (lambda r: derived(entry, r)) if entry else (lambda r: own(stay, r, at))
    if exact:
        return value_at(exact[0])
    before = [r for r in near if r["time"] < at]
    after = [r for r in near if r["time"] > at]
    if not before or not after:
        return {(ABSENT, frozenset())}
    r0, r1 = before[-1], after[0]
    found = set()
    for (x0, m0), (x1, m1) in itertools.product(value_at(r0), value_at(r1)):
        if x0 is ABSENT or x1 is ABSENT:
            found.add((ABSENT, frozenset()))
        else:
            share = (at - r0["time"]) / (r1["time"] - r0["time"])
            found.add((x0 + (x1 - x0) * share, m0 | m1 | {"interpolated"}))
    return found


def derived(entry, reading):
    found = set()
    inputs = [at_time(name, reading["time"], entry["within_s"], reading) for name in entry["of"]]
    for chosen in itertools.product(*inputs):
        living = [value for value, _ in chosen if value is not ABSENT]
        marks = frozenset().union(*(its for value, its in chosen if value is not ABSENT))
        if entry["kind"] == "difference" or entry["when_missing"] == "absent":
            if len(living) < len(chosen):
                found.add((ABSENT, frozenset()))
                continue
        elif len(living) < entry["at_least"]:
            found.add((ABSENT, frozenset()))
            continue
        elif len(living) < len(chosen):
            marks |= {"left-out"}
        if entry["kind"] == "difference":
            value = living[0] - living[1]
        else:
            value = sum(living) / (len(living) if entry["kind"] == "mean" else 1)
        found.add((value, marks))
    return found


def expected_times(name):
    """When a point has values or reasons: at the held readings of what leads it, entry by entry."""
    if not is_derived(name):
        stays = [s for s in site["points"] if s["name"] == name]
        return sorted(
            r["time"]
            for s in stays
            for r in readings.get(s["logger"], [])
            if holds(s, r["time"]) and s["channel"] < len(r["counts"])
        )
    entries = sorted((d for d in site["derived"] if d["name"] == name), key=lambda d: d["from"])
    found = []
    for i, entry in enumerate(entries):
        begins = -math.inf if i == 0 else entry["from"]
        ends = entries[i + 1]["from"] if i + 1 < len(entries) else math.inf
        found += [t for t in expected_times(entry["of"][0]) if begins <= t < ends]
    return sorted(found)


wrong, right, absent, unsure = [], 0, 0, 0
answers = {}
for answer in site["values"]:
    answers.setdefault(answer["point"], []).append(answer)
names = {s["name"] for s in site["points"]} | {d["name"] for d in site["derived"]}
for name in sorted(names):
    found = sorted(a["time"] for a in answers.get(name, []))
    if found != expected_times(name):
        wrong.append(f"{name}: {len(found)} rows for {len(expected_times(name))} readings")
    for answer in answers.get(name, []):
        possible = at_time(name, answer["time"], 0)
        unsure += len(possible) > 1
        marks = frozenset(m for m in answer["marks"] if m in ("omitted", "fixed", "interpolated", "left-out"))
        if answer["value"] is None:
            absent += 1
            if not answer["absent"] or not any(value is ABSENT for value, _ in possible):
                wrong.append(f"{name} at {answer['time']}: {answer['absent']}, possible {possible}")
        elif any(
            value is not ABSENT and marks == its and math.isclose(value, answer["value"], rel_tol=1e-9, abs_tol=1e-9)
            for value, its in possible
        ):
            right += 1
        else:
            wrong.append(f"{name} at {answer['time']}: {answer['value']} {sorted(marks)}, possible {possible}")
for line in wrong[:20]:
    print(line)
print(json.dumps({"points": len(names), "right": right, "absent": absent, "unsure": unsure, "wrong": len(wrong)}))
