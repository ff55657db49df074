"""Reads the 20 files by the answers in truth.json alone and compares each row with the truth.

Run: python check.py [FOLDER]   (standard library only; shares no code with make.py)

It shows that the answers suffice and are right: encoding, delimiter, decimal mark, time format, offset, columns and
factors. The names of months were typed here by hand.
"""

import csv
import json
import re
import sys
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from fractions import Fraction
from math import isqrt, radians, sin
from pathlib import Path

MONTHS = {
    "de": ["Jan.", "Feb.", "März", "Apr.", "Mai", "Juni", "Juli", "Aug.", "Sept.", "Okt.", "Nov.", "Dez."],
    "fr": ["janv.", "févr.", "mars", "avr.", "mai", "juin", "juil.", "août", "sept.", "oct.", "nov.", "déc."],
    "es": ["ene", "feb", "mar", "abr", "may", "jun", "jul", "ago", "sept", "oct", "nov", "dic"],
}
DELIMITERS = {"tab": "\t", "spaces": " "}
MARKS = {"U+202F": "\u202f", "U+2212": "\u2212"}


def text_of(raw, encoding):
    name = encoding.removesuffix(" with mark")
    text = raw.decode(name)
    assert text.startswith("\ufeff") == encoding.endswith("with mark")
    return text.removeprefix("\ufeff")


def cells_of(line, delimiter):
    if delimiter == "spaces":
        return line.split()
    return [c.strip() for c in next(csv.reader([line], delimiter=DELIMITERS.get(delimiter, delimiter)))]


def number_of(cell, answers):
    """The number in a cell, or None where the file says that there is none."""
    if cell in answers["missing"] or cell == "":
        return None
    for key in ("thousands_mark", "minus"):
        mark = answers.get(key)
        if mark:
            cell = cell.replace(MARKS.get(mark, mark), "-" if key == "minus" else "")
    if answers["decimal_mark"] == ",":
        assert "." not in cell, cell
        cell = cell.replace(",", ".")
    return Decimal(cell.removesuffix("%"))


def time_of(got, answers):
    form = answers["time_format"]
    offset = answers["utc_offset"]
    shift = timedelta(hours=int(offset[:3]), minutes=int(offset[0] + offset[4:]))
    if "year" in got:
        hhmm = int(got["hour and minute"])
        day = datetime(int(got["year"]), 1, 1) + timedelta(days=int(got["day of year"]) - 1)
        local = day + timedelta(hours=hhmm // 100, minutes=hhmm % 100)
    elif form.startswith("unix"):
        scale = 1000 if form.endswith("milliseconds") else 1
        local = datetime(1970, 1, 1) + timedelta(seconds=float(got["time"]) / scale)
    elif form.startswith("days since"):
        local = datetime(1899, 12, 30) + timedelta(seconds=round(number_of(got["time"], answers) * 86400))
    else:
        text = got["time"] if "time" in got else got["date"] + " " + got["time of day"]
        if "months" in answers:
            names = MONTHS[answers["months"]]
            text = re.sub(r"[^\W\d]+\.?", lambda m: str(names.index(m[0]) + 1), text, count=1)
            form = form.replace("%b", "%m")
        local = datetime.strptime(text, form)
        if local.tzinfo:
            assert local.utcoffset() == shift
            return local.astimezone(timezone.utc).replace(tzinfo=None)
    return local - shift


def counts_of(value, how):
    """A whole number of counts from the file's number."""
    if how.startswith("square root"):
        exact = Fraction(value) * 1000 * 10**6 * 10**12  # six more digits than counts
        return round(Fraction(isqrt(int(exact)), 10**6))
    if how.startswith("sine"):
        return round(sin(radians(float(value))) * 1e9)
    if how.endswith("divided by the value"):
        return round(Fraction(int(how.split()[0])) / Fraction(value))
    return round(Fraction(value) * Fraction(how))


def near(what, got, true, within):
    assert (got is None) == (true is None), (what, got, true)
    assert got is None or abs(got - true) <= within, (what, got, true)


def check(folder, one):
    answers = one["answers"]
    text = text_of((folder / one["file"]).read_bytes(), answers["encoding"])
    lines = re.split("\r\n|\n", text)
    if lines[-1] == "":
        lines.pop()
    named = {n for first, last, _ in one["other_lines"] for n in range(first, last + 1)}
    rows = {row[0] for row in one["rows"]}
    assert not named & rows and named | rows == set(range(1, len(lines) + 1)), "each line is named once"
    assert 60 <= len(rows) <= 300, len(rows)
    ends = set(re.findall("\r\n|\n", text))
    assert ends == {"LF": {"\n"}, "CR LF": {"\r\n"}, "mixed": {"\n", "\r\n"}}[answers["line_ends"]]
    cleared = {tuple(c) for c in one["cleared_by_hand"]}
    faults = {tuple(f[:3]) for f in one["faults"]}
    compared = 0
    for line, epoch, sequence, time, battery, board, counts, *shows in one["rows"]:
        cells = cells_of(lines[line - 1], answers["delimiter"])
        where = f"{one['file']}:{line}"
        got = {c["is"]: cells[c["column"] - 1] for c in one["columns"]}
        true = datetime.strptime(time, "%Y-%m-%dT%H:%M:%SZ")
        if "time_shown" in answers:
            true = true.replace(second=0)
        assert time_of(got, answers) == true, (where, time)
        columns = one["columns"]
        if shows:
            columns = [{"column": 3, **columns[2]["quantities"][got["name of the quantity"]]}]
        for c in columns:
            cell = cells[c["column"] - 1]
            if c["is"] == "sequence":
                assert int(cell) == sequence, where
            elif c["is"] == "epoch":
                assert int(cell) == epoch, where
            elif c["is"] == "logger":
                assert int(cell) == one["logger"], where
            elif c["is"] == "battery":
                near(where, round(number_of(cell, answers) * c["to_millivolts"]), battery, c["within"])
            elif c["is"] == "board temperature":
                value = number_of(cell, answers)
                near(where, None if value is None else round(value * c["to_hundredths"]), board, c["within"])
            elif c["is"] == "channel":
                value, index = number_of(cell, answers), c["channel"]
                assert (counts[index] is None) == ((epoch, sequence, index) in faults), where
                is_cleared = (epoch, sequence, index) in cleared
                near(where, None if value is None else counts_of(value, c["to_counts"]),
                     None if is_cleared else counts[index], c["within"])
                compared += 1
    return len(rows), compared


if __name__ == "__main__":
    place = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    truth = json.loads((place / "truth.json").read_text(encoding="utf-8"))
    assert len(truth["files"]) == 20
    all_rows = all_cells = 0
    for each in truth["files"]:
        r, c = check(place, each)
        print(f"{each['file']:34} {r:4} rows {c:5} channel cells {each['rows_twice']:3} twice "
              f"{len(each['left_out']):3} left out {len(each['faults']):3} faults")
        all_rows, all_cells = all_rows + r, all_cells + c
    print(f"all agree: {all_rows} rows, {all_cells} channel cells")
