"""Makes the 20 files of this folder and truth.json. Deterministic: no clock, no network, every random draw is seeded.

Run: python make.py [FOLDER]   (needs pandas, numpy, openpyxl and babel; README.md has the versions used)

Each style is one function. It writes lines into a `File`, and says of every line what it is: a reading, or a heading,
a footer and so on. Texts of dates and numbers come from Python, pandas, numpy, openpyxl and babel (the CLDR's rules
for German, French and Spanish), so that they are what real programs write.
"""

import csv
import io
import json
import random
import sys
from datetime import timedelta
from decimal import ROUND_HALF_EVEN, Decimal
from math import asin, degrees
from pathlib import Path

import numpy
import pandas
from babel.dates import format_datetime
from babel.numbers import format_decimal
from openpyxl.utils.datetime import to_excel

from truth_site import LOGGERS, records

UNITS = {0: "count", 1: "0.001 Hz", 2: "0.001 ohm", 3: "1e-9 V/V", 4: "1 nA", 5: "10 nV", 6: "1e-9 sine", 7: "pulse"}
FILES = []


def dec(counts, power, places=None):
    """counts / 10^power as text, exact or rounded to `places`."""
    value = Decimal(counts).scaleb(-power)
    if places is not None:
        value = value.quantize(Decimal(1).scaleb(-places), ROUND_HALF_EVEN)
    return f"{value:f}"


def comma(text):
    """A number with a decimal comma; a word for "no value" stays as it is."""
    return text if any(c.isalpha() for c in text) else text.replace(".", ",")


def local(time, hours):
    return (time + timedelta(hours=hours)).replace(tzinfo=None)


def row_of(cells, delimiter=",", quoting=csv.QUOTE_MINIMAL):
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, quoting=quoting, lineterminator="").writerow(cells)
    return out.getvalue()


class File:
    """Lines of one file, each with what it is, and the answers about it."""

    def __init__(self, name, address, first, last, rows_per_reading=1, **answers):
        self.name, self.address = name, address
        self.all, self.between = records(address, first, last)
        self.answers, self.rows_per_reading = answers, rows_per_reading
        self.lines, self.ends, self.columns, self.cleared = [], [], [], []
        FILES.append(self)

    def other(self, what, *texts):
        """Lines that hold no reading. A text with a line break in it is several lines."""
        for text in texts:
            for line in text.split("\n"):
                self.lines.append((line, what, None))

    def reading(self, text, record, shows=None):
        self.lines.append((text, shows or "reading", record))

    def column(self, number, header, is_, **more):
        """Columns count from 1, as people count."""
        self.columns.append({"column": number, "header": header, "is": is_, **more})

    def channel(self, number, header, index, unit, per_count, within=0):
        """`per_count`: what the file's number is multiplied with to have counts, as text; or a named formula."""
        code = LOGGERS[self.address].channels[index].raw_unit
        self.column(number, header, "channel", channel=index, raw_unit=code, unit=unit, to_counts=per_count,
                    within=within)

    def battery(self, number, header, unit, exact=False):
        self.column(number, header, "battery", unit=unit, to_millivolts=1 if unit == "mV" else 1000,
                    within=0 if exact else 5)

    def board(self, number, header, unit="Cel", exact=False):
        self.column(number, header, "board temperature", unit=unit, to_hundredths=100, within=0 if exact else 5)

    def save(self, folder, encoding="utf-8", mark=b"", end="\n", last_end=True, ends=None):
        text = ""
        for i, (line, _, _) in enumerate(self.lines):
            final = i == len(self.lines) - 1
            text += line + ("" if final and not last_end else (ends[i] if ends else end))
        (folder / self.name).write_bytes(mark + text.encode(encoding))
        words = {"\n": "LF", "\r\n": "CR LF"}
        self.answers = {"encoding": encoding + (" with mark" if mark else ""),
                        "line_ends": "mixed" if ends else words[end], **self.answers}

    def truth(self):
        logger = LOGGERS[self.address]
        shown = [r for _, _, r in self.lines if r is not None]
        held = {(r.epoch, r.sequence) for r in shown}
        left_out = [[r.epoch, r.sequence, iso(r.time)] for r in self.all if (r.epoch, r.sequence) not in held]
        rows, others, faults, not_measured = [], [], [], []
        for number, (_, what, r) in enumerate(self.lines, 1):
            if r is None:
                others.append([number, what])
                continue
            row = [number, r.epoch, r.sequence, iso(r.time), r.battery_mv, r.board_centi, list(r.counts)]
            rows.append(row + ([] if what == "reading" else [what]))
        for r in sorted({(r.epoch, r.sequence): r for r in shown}.values(), key=lambda r: r.time):
            faults += [[r.epoch, r.sequence, c, f] for c, f in enumerate(r.faults) if f is not None]
        return {
            "file": self.name,
            "logger": logger.address,
            "interval_s": logger.interval_s,
            "channels": [{"channel": i, "raw_unit": c.raw_unit, "one_count": UNITS[c.raw_unit], "what": c.what}
                         for i, c in enumerate(logger.channels)],
            "readings": len(held),
            "rows_twice": len(shown) - len(held) * self.rows_per_reading,
            "answers": self.answers,
            "columns": sorted(self.columns, key=lambda c: c["column"]),
            "faults": faults,
            "cleared_by_hand": self.cleared,
            "left_out": left_out,
            "other_records": [[e, n, iso(t), what] for e, n, t, what in self.between],
            "other_lines": runs(others),
            "rows": rows,
        }


def runs(others):
    """[first line, last line, what], neighbours of one kind joined."""
    out = []
    for number, what in others:
        if out and out[-1][2] == what and out[-1][1] == number - 1:
            out[-1][1] = number
        else:
            out.append([number, number, what])
    return out


def iso(time):
    return time.strftime("%Y-%m-%dT%H:%M:%SZ")


def volts(r, places=2):
    return dec(r.battery_mv, 3, places)


def board(r, places=1, missing=""):
    return missing if r.board_centi is None else dec(r.board_centi, 2, places)


def value(r, index, power, places=None, missing=""):
    return missing if r.counts[index] is None else dec(r.counts[index], power, places)


# --- the styles -----------------------------------------------------------------------------------------------------


def script_iso(folder):
    f = File("01-script-utc.csv", 17, "2026-04-30T00:00:00", "2026-05-01T23:45:00", delimiter=",", decimal_mark=".",
             utc_offset="+00:00", offset_from="the Z behind each time", time_format="%Y-%m-%dT%H:%M:%SZ", missing=[""],
             epoch=3, epoch_from="the second line", made_with="Python, csv")
    f.other("preamble", "# exported by read_memory.py", "# logger=17 epoch=3 interval_s=900")
    head = ["time_utc", "sequence", "battery_mv", "board_temp_c", "ch0_hz", "ch1_ohm"]
    f.other("heading", ",".join(head))
    for r in f.all:
        f.reading(row_of([r.time.strftime("%Y-%m-%dT%H:%M:%SZ"), r.sequence, r.battery_mv, board(r, 2),
                          value(r, 0, 3), value(r, 1, 3)]), r)
    f.column(1, head[0], "time")
    f.column(2, head[1], "sequence")
    f.battery(3, head[2], "mV", exact=True)
    f.board(4, head[3], exact=True)
    f.channel(5, head[4], 0, "Hz", "1000")
    f.channel(6, head[5], 1, "ohm", "1000")
    f.save(folder)


def german_semicolon(folder):
    f = File("02-deutsch-komma.csv", 18, "2026-03-01T23:00:00", "2026-03-05T10:00:00", delimiter=";", decimal_mark=",",
             utc_offset="+01:00", offset_from="the preamble: MEZ, no summer time", time_format="%d.%m.%Y %H:%M:%S",
             missing=["---"], epoch=1, epoch_from="the technician", made_with="plain Python",
             note="The office of the contractor is in another zone than the site; all times are MEZ.")
    f.other("preamble", "Damm Harrow Tarn;;;;;;;;", "Messgerät;P-18 (Adresse 18);;;;;;;",
            "Zeitangaben;MEZ, keine Sommerzeit;;;;;;;", ";;;;;;;;")
    head = ["Datum", "Uhrzeit", "Satz-Nr.", "Batterie", "Gerätetemp.", "Kanal 1", "Kanal 2", "Kanal 3", "Kanal 4"]
    f.other("heading", ";".join(head))
    f.other("units", ";;;V;°C;Hz;kOhm;Hz;kOhm")
    for r in f.all:
        t = local(r.time, 1)
        cells = [t.strftime("%d.%m.%Y"), t.strftime("%H:%M:%S"), str(r.sequence), volts(r), board(r, 1, "---")]
        cells += [value(r, i, p, None, "---") for i, p in ((0, 3), (1, 6), (2, 3), (3, 6))]
        f.reading(";".join(cells[:2] + [comma(c) for c in cells[2:]]), r)
    f.other("footer", f"Anzahl Messungen:;{len(f.all)};;;;;;;", "Ende der Datei;;;;;;;;")
    f.column(1, head[0], "date")
    f.column(2, head[1], "time of day")
    f.column(3, head[2], "sequence")
    f.battery(4, head[3], "V")
    f.board(5, head[4])
    for i, unit in enumerate(("Hz", "kOhm", "Hz", "kOhm")):
        f.channel(6 + i, head[5 + i], i, unit, "1000" if unit == "Hz" else "1000000")
    f.save(folder, "iso-8859-1", end="\r\n")


def french_utf16(folder):
    f = File("03-francais-utf16.txt", 77, "2026-02-27T07:00:00", "2026-03-01T18:00:00", delimiter="tab",
             decimal_mark=",", thousands_mark="U+202F", utc_offset="-07:00", offset_from="the heading: UTC−7",
             time_format="%d %b %Y, %H:%M:%S", months="fr", missing=["n.d."], epoch=3, epoch_from="the technician",
             made_with="babel (CLDR, fr)", note="The first column counts the rows of the file. It is no record number.")
    f.other("preamble", "Digue de Harrow Tarn : cellules de tassement, appareil n° 77", "")
    head = ["N°", "Date et heure (UTC−7)", "Pile (V)", "Température du boîtier (°C)", "Voie 1 (µV)", "Voie 2 (µV)"]
    f.other("heading", "\t".join(head))
    for n, r in enumerate(f.all, 1):
        when = format_datetime(local(r.time, -7), "d MMM y, HH:mm:ss", locale="fr")
        microvolts = ["n.d." if c is None else format_decimal(Decimal(c).scaleb(-2), "#,##0.00", locale="fr")
                      for c in r.counts]
        f.reading("\t".join([str(n), when, comma(volts(r)), comma(board(r, 1, "n.d.")), *microvolts]), r)
    f.column(1, head[0], "row number")
    f.column(2, head[1], "time")
    f.battery(3, head[2], "V")
    f.board(4, head[3])
    f.channel(5, head[4], 0, "uV", "100")
    f.channel(6, head[5], 1, "uV", "100")
    f.save(folder, "utf-16-le", b"\xff\xfe", "\r\n")


def month_first_thousands(folder):
    f = File("04-month-first-counts.csv", 101, "2026-09-12T07:00:00", "2026-09-14T06:45:00", delimiter=",",
             decimal_mark=".", thousands_mark=",", utc_offset="-07:00",
             offset_from="not in the file; the technician knows that the reader shows the site's time",
             time_format="%m/%d/%Y %I:%M:%S %p", missing=[""], epoch=2, epoch_from="the technician",
             made_with="Python, csv; as a spreadsheet saves cells with a thousands mark",
             note="Somebody emptied three cells in the spreadsheet that looked wrong. The logger has values there.")
    head = ["Record", "Date/Time", "Batt (V)", "Board (°C)", "Turbidity (counts)", "Weir (counts)", "Soil (counts)", "Remarks"]
    f.other("heading", row_of(head))
    clear = set(random.Random(4).sample(range(20, 180), 3))
    for n, r in enumerate(f.all):
        t = local(r.time, -7)
        when = f"{t.month}/{t.day}/{t.year} {t.hour % 12 or 12}:{t.minute:02}:{t.second:02} {'AM' if t.hour < 12 else 'PM'}"
        cells = [r.sequence, when, volts(r), board(r)] + ["" if c is None else f"{c:,}" for c in r.counts]
        if n in clear and cells[4]:
            cells[4] = ""
            f.cleared.append([r.epoch, r.sequence, 0])
        f.reading(row_of(cells + ["visit, battery changed" if n == 77 else ""]), r)
    f.column(1, head[0], "sequence")
    f.column(2, head[1], "time")
    f.battery(3, head[2], "V")
    f.board(4, head[3])
    for i in range(3):
        f.channel(5 + i, head[4 + i], i, "count", "1")
    f.column(8, head[7], "remark")
    f.save(folder, "utf-8", b"\xef\xbb\xbf", "\r\n")


def spanish_newest_first(folder):
    f = File("05-espanol-al-reves.csv", 31, "2026-08-31T07:00:00", "2026-09-01T20:50:00", delimiter=";",
             decimal_mark=",", utc_offset="-07:00", offset_from="the preamble: local time, UTC-7 all year",
             time_format="%d-%b-%Y %H:%M", months="es", missing=["s/d"], epoch=5, epoch_from="the technician",
             made_with="babel (CLDR, es)", note="The newest row comes first. The level in metres was calculated by the "
             "reader from the current; it is not what the logger measured.")
    f.other("preamble", "Presa de Harrow Tarn", "Equipo: 31", "Hora local (UTC-7 todo el año)", "")
    head = ["Fecha y hora", "Batería [V]", "Temp. interna [°C]", "Corriente del lazo [mA]", "Nivel calculado [m]"]
    f.other("heading", ";".join(head))
    for r in reversed(f.all):
        when = format_datetime(local(r.time, -7), "dd-MMM-y HH:mm", locale="es")
        ma = value(r, 0, 6, None, "s/d")
        level = "s/d" if r.counts[0] is None else f"{(r.counts[0] / 1e6 - 4) / 16 * 25:.3f}"
        f.reading(";".join([when, comma(volts(r)), comma(board(r, 1, "s/d")), comma(ma), comma(level)]), r)
    f.column(1, head[0], "time")
    f.battery(2, head[1], "V")
    f.board(3, head[2])
    f.channel(4, head[3], 0, "mA", "1000000")
    f.column(5, head[4], "calculated value")
    f.save(folder)


def fixed_width_pages(folder):
    f = File("06-printed-pages.txt", 64, "2026-05-28T00:00:00", "2026-06-02T23:00:00", delimiter="spaces",
             decimal_mark=".", utc_offset="+00:00", offset_from="the head of each page", time_format="%Y-%m-%d %H:%M",
             missing=["-----"], epoch=4, epoch_from="the technician", made_with="plain Python, fixed width",
             note="A page has 48 rows. The line number begins again on each page. The frequency has one decimal, so "
             "the counts are known to 50 counts only.")
    for n, r in enumerate(f.all):
        if n % 48 == 0:
            if n:
                f.other("page break", "", "")
            f.other("page heading", f"HARROW TARN EMBANKMENT      LOGGER 64      PAGE {n // 48 + 1}",
                    "ALL TIMES UTC, NO DAYLIGHT SAVING", "",
                    "LINE  DATE        TIME   BATT   BOARD     P-64A     P-64B     P-64C     P-64D",
                    "                            V   deg C        Hz        Hz        Hz        Hz",
                    "----  ----------  -----  ----  ------  --------  --------  --------  --------")
        cells = [value(r, i, 3, 1, "-----").rjust(8) for i in range(4)]
        f.reading(f"{n % 48 + 1:>4}  {r.time:%Y-%m-%d}  {r.time:%H:%M}  {volts(r):>4}  {board(r, 1, '-----'):>6}  "
                  + "  ".join(cells), r)
    f.other("footer", "", f"END OF REPORT   {len(f.all)} READINGS")
    f.column(1, "LINE", "row number")
    f.column(2, "DATE", "date")
    f.column(3, "TIME", "time of day")
    f.battery(4, "BATT", "V")
    f.board(5, "BOARD")
    for i, letter in enumerate("ABCD"):
        f.channel(6 + i, f"P-64{letter}", i, "Hz", "1000", within=50)
    f.save(folder, end="\r\n")


def day_of_year(folder):
    f = File("07-day-of-year-no-heading.dat", 23, "2026-04-27T00:00:00", "2026-05-03T23:00:00", delimiter=",",
             decimal_mark=".", utc_offset="+00:00", offset_from="not in the file; the technician's note says UTC",
             time_format="year, day of year, hour and minute without leading zeros", missing=["-9999"],
             epoch=2, epoch_from="the technician", made_with="plain Python",
             note="No heading. The technician's note says: year, day, hhmm, record, battery V, board °C, mV/V, ohm. "
             "-9999 is no possible value of either channel.")
    for r in f.all:
        hhmm = r.time.hour * 100 + r.time.minute
        f.reading(",".join(str(c) for c in [r.time.year, r.time.timetuple().tm_yday, hhmm, r.sequence, volts(r, 3),
                  board(r, 2, "-9999"), value(r, 0, 6, None, "-9999"), value(r, 1, 3, None, "-9999")]), r)
    f.column(1, None, "year")
    f.column(2, None, "day of year")
    f.column(3, None, "hour and minute")
    f.column(4, None, "sequence")
    f.battery(5, None, "V", exact=True)
    f.board(6, None, exact=True)
    f.channel(7, None, 0, "mV/V", "1000000")
    f.channel(8, None, 1, "ohm", "1000")
    f.save(folder, end="\r\n")


def statistics_row_names(folder):
    f = File("08-statistics-row-names.csv", 305, "2026-10-01T00:00:00", "2026-10-02T12:00:00", delimiter=",",
             decimal_mark=".", utc_offset="+00:00", offset_from="seconds since 1970 are UTC", time_format="unix seconds",
             missing=["NA"], epoch=6, epoch_from="the column epoch",
             made_with="plain Python, as statistics languages write tables",
             note="The first column, without a name, counts the rows. The channels are the squared frequency / 1000.")
    head = ["", "logger", "epoch", "seq", "time", "batt.V", "temp.C", "sq.freq.1", "sq.freq.2"]
    f.other("heading", row_of(head, quoting=csv.QUOTE_ALL))
    for n, r in enumerate(f.all, 1):
        squares = ["NA" if c is None else f"{Decimal(c * c).scaleb(-9):.3f}" for c in r.counts]
        f.reading(f'"{n}",305,{r.epoch},{r.sequence},{int(r.time.timestamp())},{float(volts(r, 3))!r},'
                  f'{board(r, 2, "NA")},{",".join(squares)}', r)
    f.column(1, head[0], "row number")
    f.column(2, head[1], "logger")
    f.column(3, head[2], "epoch")
    f.column(4, head[3], "sequence")
    f.column(5, head[4], "time")
    f.battery(6, head[5], "V", exact=True)
    f.board(7, head[6], exact=True)
    f.channel(8, head[7], 0, "10*3.Hz2", "square root of (value times 1000), times 1000")
    f.channel(9, head[8], 1, "10*3.Hz2", "square root of (value times 1000), times 1000")
    f.save(folder)


def spreadsheet_serial(folder):
    f = File("09-spreadsheet-serial-days.csv", 112, "2026-07-30T07:00:00", "2026-08-01T23:00:00", delimiter=";",
             decimal_mark=",", utc_offset="-07:00", offset_from="the heading: site time",
             time_format="days since 1899-12-30", missing=[""], epoch=1, epoch_from="the technician",
             made_with="openpyxl (serial days), Python csv",
             note="Two lines of heading; one cell of the heading has a line break in it. The joint is shown in percent. "
             "Two empty columns at the right and five empty rows at the end. Serial days have 9 decimals.")
    f.other("heading", row_of(["No.", "Time", "Battery", "Board", "Joint meter", "", "Quality", "", ""], ";"))
    f.other("heading", row_of(["", "site time\n(UTC-7)", "V", "°C", "ratio, %", "thermistor, kΩ", "", "", ""], ";"))
    for n, r in enumerate(f.all, 1):
        serial = comma(f"{to_excel(local(r.time, -7)):.9f}".rstrip("0").rstrip("."))
        ratio = "" if r.counts[0] is None else comma(dec(r.counts[0], 7)) + "%"
        ok = "ok" if None not in r.counts else "fault"
        f.reading(";".join([str(n), serial, comma(volts(r)), comma(board(r)), ratio, comma(value(r, 1, 6)), ok, "", ""]), r)
    f.other("empty", *[";;;;;;;;"] * 5)
    f.column(1, "No.", "row number")
    f.column(2, "Time / site time (UTC-7)", "time")
    f.battery(3, "Battery / V", "V")
    f.board(4, "Board / °C")
    f.channel(5, "Joint meter / ratio, %", 0, "%", "10000000")
    f.channel(6, "(joint meter) / thermistor, kΩ", 1, "kOhm", "1000000")
    f.column(7, "Quality", "remark")
    f.save(folder, "utf-8", b"\xef\xbb\xbf", "\r\n")


def value_unit_pairs(folder):
    f = File("10-value-unit-pairs.csv", 42, "2026-06-01T07:00:00", "2026-06-04T06:30:00", delimiter=",",
             decimal_mark=".", utc_offset="-07:00", offset_from="the preamble", time_format="%Y-%m-%dT%H:%M:%S",
             missing=["NaN"], epoch=1, epoch_from="the preamble", made_with="Python, csv",
             note="Each value is followed by its unit. The tilt is the sine of the angle.")
    f.other("preamble", "Logger,42", "Epoch,1", "Time zone,UTC-07:00", "")
    head = ["Record", "Timestamp", "Battery", "Unit", "Board", "Unit", "Tilt A", "Unit", "Tilt B", "Unit", "Therm", "Unit"]
    f.other("heading", ",".join(head))
    for r in f.all:
        f.reading(row_of([r.sequence, local(r.time, -7).isoformat(), volts(r, 3), "V", board(r, 2, "NaN"), "degC",
                          value(r, 0, 9, None, "NaN"), "sin", value(r, 1, 9, None, "NaN"), "sin",
                          value(r, 2, 3, None, "NaN"), "Ohm"]), r)
    f.column(1, head[0], "sequence")
    f.column(2, head[1], "time")
    f.battery(3, head[2], "V", exact=True)
    f.board(5, head[4], exact=True)
    for i, (unit, factor) in enumerate((("sine", "1000000000"), ("sine", "1000000000"), ("ohm", "1000"))):
        f.channel(7 + 2 * i, head[6 + 2 * i], i, unit, factor)
    for c in (4, 6, 8, 10, 12):
        f.column(c, "Unit", "unit of the column before")
    f.save(folder)


def pipes_with_zone(folder):
    f = File("11-pipes-zone-name.txt", 1204, "2026-05-04T07:00:00", "2026-05-07T18:00:00", delimiter="|",
             decimal_mark=".", utc_offset="-07:00", offset_from="MST behind each time, and the preamble: no daylight saving",
             time_format="%Y-%m-%d %H:%M:%S MST", missing=["n/a"], epoch=2, epoch_from="the technician",
             made_with="plain Python", note="Spaces around the cells. Readings are made 23 s after the half hour.")
    f.other("preamble", "Harrow Tarn embankment, logger 1204", "MST = UTC-7 all year, no daylight saving", "")
    head = ["rec", "time", "battery", "board", "pressure cell", "barometer"]
    f.other("heading", " | ".join(["rec  ", "time                   ", "battery", "board", "pressure cell", "barometer"]))
    f.other("units", " | ".join(["     ", "                       ", "(mV)   ", "(°C) ", "(Hz)         ", "(mA)     "]))
    for r in f.all:
        f.reading(" | ".join([f"{r.sequence:<5}", f"{local(r.time, -7):%Y-%m-%d %H:%M:%S} MST", f"{r.battery_mv:<7}",
                              f"{board(r, 2, 'n/a'):<5}", f"{value(r, 0, 3, None, 'n/a'):<13}",
                              f"{value(r, 1, 6, None, 'n/a'):<9}"]), r)
    f.column(1, head[0], "sequence")
    f.column(2, head[1], "time")
    f.battery(3, head[2], "mV", exact=True)
    f.board(4, head[3], exact=True)
    f.channel(5, head[4], 0, "Hz", "1000")
    f.channel(6, head[5], 1, "mA", "1000000")
    f.save(folder)


def british_rain_totals(folder):
    f = File("12-british-rain-totals.csv", 58, "2026-06-05T00:00:00", "2026-06-06T00:15:00", delimiter=",",
             decimal_mark=".", utc_offset="+00:00", offset_from="the heading: GMT", time_format="%d/%m/%Y %I:%M %p",
             missing=[], epoch=1769904000, epoch_from="the technician",
             made_with="plain Python", note="Day first: 05/06/2026 is followed by 06/06/2026. The "
             "running total is what the logger counts; the millimetres are calculated from it. The last lines are sums.")
    head = ["Date", "Time (GMT)", "Battery (V)", "Case temp (C)", "Tips (running total)", "Rain (mm)"]
    f.other("heading", ",".join(head))
    before, wet = None, 0
    for r in f.all:
        tips = 0 if before is None else r.counts[0] - before
        before, wet = r.counts[0], wet + tips
        f.reading(",".join([f"{r.time:%d/%m/%Y}", f"{r.time:%I:%M %p}".lower(), volts(r), board(r), str(r.counts[0]),
                            f"{tips * 0.2:.1f}"]), r)
    f.other("footer", "", f"Total,,,,{wet},{wet * 0.2:.1f}",
            f"Lowest,,{min(volts(r) for r in f.all)},,,", f"Readings,{len(f.all)},,,,")
    f.column(1, head[0], "date")
    f.column(2, head[1], "time of day")
    f.battery(3, head[2], "V")
    f.board(4, head[3])
    f.channel(5, head[4], 0, "pulse", "1")
    f.column(6, head[5], "calculated value")
    f.save(folder, end="\r\n")


def offset_suffix_quoted(folder):
    f = File("13-tab-offset-all-quoted.tsv", 17, "2026-07-14T12:00:00", "2026-07-16T11:45:00", delimiter="tab",
             decimal_mark=".", utc_offset="-07:00", offset_from="the -07:00 behind each time",
             time_format="%Y-%m-%d %H:%M:%S%z", missing=[""], epoch=3, epoch_from="the technician", made_with="Python, csv",
             note="Raw counts. Twelve rows are there twice, word for word.")
    head = ["Time", "Record no. [-]", "Battery [mV]", "Board [0.01 °C]", "Counts 0 [0.001 Hz]", "Counts 1 [0.001 ohm]"]
    f.other("heading", row_of(head, "\t", csv.QUOTE_ALL))
    rows = list(f.all)
    rows[60:60] = rows[48:60]
    for r in rows:
        when = f"{local(r.time, -7):%Y-%m-%d %H:%M:%S}-07:00"
        f.reading(row_of([when, r.sequence, r.battery_mv, "" if r.board_centi is None else r.board_centi,
                          *("" if c is None else c for c in r.counts)], "\t", csv.QUOTE_ALL), r)
    f.column(1, head[0], "time")
    f.column(2, head[1], "sequence")
    f.battery(3, head[2], "mV", exact=True)
    f.column(4, head[3], "board temperature", unit="0.01 Cel", to_hundredths=1, within=0)
    f.channel(5, head[4], 0, "0.001 Hz", "1")
    f.channel(6, head[5], 1, "0.001 ohm", "1")
    f.save(folder)


def long_preamble_gap(folder):
    f = File("14-long-preamble-gap.csv", 23, "2026-04-29T07:00:00", "2026-05-05T20:00:00", delimiter=",",
             decimal_mark=".", utc_offset="-07:00", offset_from="the preamble", time_format="%B %d, %Y %I:%M:%S %p",
             missing=["n/a"], epoch=2, epoch_from="the preamble", made_with="Python, csv",
             note="The time has a comma in it. 31 readings are not in the file. The bridge has one decimal, so its "
             "counts are known to 50 counts only.")
    f.other("preamble", "DOWNLOAD REPORT", "Site = Harrow Tarn embankment", "Logger = 23", "Epoch = 2",
            "Serial number = 198002", "Interval = 3600 s", "Time zone = UTC-07:00, daylight saving never",
            "Channels = 2", "  1 = LC-1 full bridge, excitation 2500 mV", "  2 = LC-1 thermistor",
            "Coefficients = none, electrical units", "Remark = read by hand, radio was down", "", "[Readings]")
    f.other("heading", row_of(["Logger", "", "", "", "Load cell LC-1", ""]))
    head = ["Rec", "Date and time", "Battery", "Board", "bridge", "thermistor"]
    f.other("heading", row_of(head))
    f.other("units", row_of(["", "UTC-07:00", "Volt", "deg. C", "uV/V", "Ohm"]))
    rows = f.all[:70] + f.all[101:]
    for r in rows:
        t = local(r.time, -7)
        f.reading(row_of([r.sequence, f"{t:%B %d, %Y %I:%M:%S %p}", volts(r), board(r, 1, "n/a"),
                          value(r, 0, 3, 1, "n/a"), value(r, 1, 3, None, "n/a")]), r)
    f.other("footer", "", "[End]")
    f.column(1, head[0], "sequence")
    f.column(2, head[1], "time")
    f.battery(3, head[2], "V")
    f.board(4, head[3])
    f.channel(5, head[4], 0, "uV/V", "1000", within=50)
    f.channel(6, head[5], 1, "ohm", "1000")
    f.save(folder, "utf-8", b"\xef\xbb\xbf", "\r\n")


def tidy_long(folder):
    f = File("15-one-value-a-row.csv", 42, "2026-07-01T00:00:00", "2026-07-02T12:00:00", delimiter=",",
             decimal_mark=".", utc_offset="+00:00", offset_from="the +00:00 behind each time",
             time_format="%Y-%m-%d %H:%M:%S%z", missing=[""], epoch=1, epoch_from="the technician",
             made_with="pandas (melt, to_csv)", rows_per_reading=4,
             note="One row for each value: four rows make a reading. The tilts are angles in degrees with four decimals, "
             "so their counts are known only roughly.")
    table = pandas.DataFrame({
        "time": pandas.to_datetime([iso(r.time) for r in f.all], utc=True),
        "battery_V": [r.battery_mv / 1000 for r in f.all],
        "tiltA_deg": [None if r.counts[0] is None else round(degrees(asin(r.counts[0] / 1e9)), 4) for r in f.all],
        "tiltB_deg": [None if r.counts[1] is None else round(degrees(asin(r.counts[1] / 1e9)), 4) for r in f.all],
        "therm_ohm": [None if r.counts[2] is None else r.counts[2] / 1000 for r in f.all],
    })
    text = table.melt(id_vars="time", var_name="variable", value_name="value").to_csv(index=False)
    lines = text.splitlines()
    f.other("heading", lines[0])
    shows = ["battery", "channel 0", "channel 1", "channel 2"]
    for n, line in enumerate(lines[1:]):
        f.reading(line, f.all[n % len(f.all)], shows[n // len(f.all)])
    f.column(1, "time", "time")
    f.column(2, "variable", "name of the quantity")
    f.column(3, "value", "value", quantities={
        "battery_V": {"is": "battery", "unit": "V", "to_millivolts": 1000, "within": 0},
        "tiltA_deg": {"is": "channel", "channel": 0, "raw_unit": 6, "unit": "deg", "to_counts": "sine, times 1000000000",
                      "within": 873},
        "tiltB_deg": {"is": "channel", "channel": 1, "raw_unit": 6, "unit": "deg", "to_counts": "sine, times 1000000000",
                      "within": 873},
        "therm_ohm": {"is": "channel", "channel": 2, "raw_unit": 2, "unit": "ohm", "to_counts": "1000", "within": 0}})
    f.save(folder)


def array_text(folder):
    f = File("16-array-as-text.txt", 64, "2026-08-03T00:00:00", "2026-08-07T23:00:00", delimiter="spaces",
             decimal_mark=".", utc_offset="+00:00", offset_from="seconds since 1970 are UTC", time_format="unix seconds",
             missing=["nan"], epoch=4, epoch_from="the technician", made_with="numpy (savetxt with its own number format)",
             note="The heading is a comment. All numbers, also the time, are in scientific notation.")
    nan = float("nan")
    rows = [[r.time.timestamp(), r.battery_mv / 1000, nan if r.board_centi is None else r.board_centi / 100,
             *(nan if c is None else c / 1000 for c in r.counts)] for r in f.all]
    out = io.StringIO()
    numpy.savetxt(out, numpy.array(rows),
                  header="logger 64, Harrow Tarn embankment\nt_s batt_V board_C f0_Hz f1_Hz f2_Hz f3_Hz")
    lines = out.getvalue().splitlines()
    f.other("heading", *lines[:2])
    for line, r in zip(lines[2:], f.all):
        f.reading(line, r)
    f.column(1, "t_s", "time")
    f.battery(2, "batt_V", "V", exact=True)
    f.board(3, "board_C", exact=True)
    for i in range(4):
        f.channel(4 + i, f"f{i}_Hz", i, "Hz", "1000")
    f.save(folder)


def quoted_milliseconds(folder):
    f = File("17-milliseconds-all-quoted.csv", 101, "2026-10-20T00:00:00", "2026-10-21T18:00:00", delimiter=";",
             decimal_mark=".", utc_offset="+00:00", offset_from="milliseconds since 1970 are UTC",
             time_format="unix milliseconds", missing=["null"], epoch=2, epoch_from="the column epoch", made_with="Python, csv",
             note="A script wrote some blocks in a wrong order, so the times go back twice.")
    head = ["loggerId", "epoch", "recordNo", "timestampMs", "batteryMv", "boardCentiC", "raw0", "raw1", "raw2"]
    f.other("heading", row_of(head, ";", csv.QUOTE_ALL))
    rows = list(f.all)
    rows = rows[:40] + rows[46:52] + rows[40:46] + rows[52:90] + rows[96:99] + rows[90:96] + rows[99:]
    for r in rows:
        f.reading(row_of([101, r.epoch, r.sequence, int(r.time.timestamp() * 1000), r.battery_mv,
                          "null" if r.board_centi is None else r.board_centi,
                          *("null" if c is None else c for c in r.counts)], ";", csv.QUOTE_ALL), r)
    f.column(1, head[0], "logger")
    f.column(2, head[1], "epoch")
    f.column(3, head[2], "sequence")
    f.column(4, head[3], "time")
    f.battery(5, head[4], "mV", exact=True)
    f.column(6, head[5], "board temperature", unit="0.01 Cel", to_hundredths=1, within=0)
    for i in range(3):
        f.channel(7 + i, head[6 + i], i, "count", "1")
    f.save(folder)


def daily_files_joined(folder):
    f = File("18-daily-files-joined.csv", 77, "2026-10-13T00:00:00", "2026-10-15T12:00:00", delimiter=",",
             decimal_mark=".", utc_offset="+00:00", offset_from="the heading: UTC", time_format="%Y-%m-%d %H:%M:%S",
             missing=["", "NaN"],
             epoch=[{"epoch": 3, "until": "2026-10-14T09:40:00Z"}, {"epoch": 4, "from": "2026-10-14T10:15:00Z"}],
             epoch_from="the record number begins again; the technician knows the numbers",
             made_with="plain Python", note="Three daily files were joined. Each begins with the heading and with the "
             "last two hours of the day before. The logger restarted on 2026-10-14. The first file was saved by "
             "another program than the others: CR LF, and blank instead of NaN.")
    head = "Record,Time UTC,Vbat,Tboard,V1,V2"
    ends = []
    for part, (first, last) in enumerate(((13, 14), (14, 15), (15, 16))):
        f.other("heading", head)
        f.other("units", ",,V,degC,V,V")
        missing, end = ("", "\r\n") if part == 0 else ("NaN", "\n")
        from_ = f.all[0].time.replace(day=first) - timedelta(hours=2 if part else 0)
        to = f.all[0].time.replace(day=last)
        for r in f.all:
            if from_ <= r.time < to:
                f.reading(",".join([str(r.sequence), f"{r.time:%Y-%m-%d %H:%M:%S}", volts(r, 3), board(r, 2, missing),
                                    value(r, 0, 8, None, missing), value(r, 1, 8, None, missing)]), r)
        ends += [end] * (len(f.lines) - len(ends))
    f.column(1, "Record", "sequence")
    f.column(2, "Time UTC", "time")
    f.battery(3, "Vbat", "V", exact=True)
    f.board(4, "Tboard", exact=True)
    f.channel(5, "V1", 0, "V", "100000000")
    f.channel(6, "V2", 1, "V", "100000000")
    f.save(folder, ends=ends)


def german_months_period(folder):
    f = File("19-deutsch-monatsnamen.csv", 305, "2026-02-28T07:00:00", "2026-03-02T06:45:00", delimiter="tab",
             decimal_mark=",", utc_offset="-07:00", offset_from="the heading: UTC-7",
             time_format="%d. %b %Y %H:%M", months="de", missing=["k. A."], epoch=6, epoch_from="the technician",
             made_with="babel (CLDR, de)", note="The channels are periods in microseconds; the frequency is 1,000,000 / "
             "period. A minus is U+2212 in the board temperature.", minus="U+2212")
    head = ["Zeitpunkt (UTC-7)", "Batterie (V)", "Gehäuse (°C)", "Periode 1 (µs)", "Periode 2 (µs)"]
    f.other("heading", "\t".join(head))
    for r in f.all:
        when = format_datetime(local(r.time, -7), "d. MMM y HH:mm", locale="de")
        periods = ["k. A." if c is None else f"{Decimal(10) ** 9 / c:.5f}" for c in r.counts]
        f.reading("\t".join([when] + [comma(c) for c in [volts(r), board(r, 1, "k. A.").replace("-", "\u2212"), *periods]]), r)
    f.column(1, head[0], "time")
    f.battery(2, head[1], "V")
    f.board(3, head[2])
    f.channel(4, head[3], 0, "us", "1000000000 divided by the value")
    f.channel(5, head[4], 1, "us", "1000000000 divided by the value")
    f.save(folder, end="\r\n")


def apostrophes_cut_off(folder):
    f = File("20-apostrophes-cut-off.csv", 1204, "2026-11-01T07:00:23", "2026-11-05T01:30:23", delimiter=";",
             decimal_mark=".", thousands_mark="'", utc_offset="-07:00",
             offset_from="not in the file; the technician knows that the reader shows the site's time",
             time_format="%d.%m.%y %H:%M", missing=["-"], epoch=2, epoch_from="the technician", made_with="plain Python",
             note="Times are shown without seconds; the logger measures 23 s after the minute shown. The copy was cut off "
             "in the last line, which is no whole reading.", time_shown="to the minute, seconds cut off")
    head = ["Zeit", "Batt. mV", "Temp. °C", "P-4 (1/1000 Hz)", "Baro (nA)"]
    f.other("heading", ";".join(head))
    for r in f.all[:-1]:
        f.reading(";".join([f"{local(r.time, -7):%d.%m.%y %H:%M}", f"{r.battery_mv:,}".replace(",", "'"), board(r, 1, "-"),
                            *("-" if c is None else f"{c:,}".replace(",", "'") for c in r.counts)]), r)
    last = f.all[-1]
    f.other("cut off", f"{local(last.time, -7):%d.%m.%y %H:%M};{last.battery_mv:,}".replace(",", "'")[:-2])
    f.column(1, head[0], "time")
    f.battery(2, head[1], "mV", exact=True)
    f.board(3, head[2])
    f.channel(4, head[3], 0, "0.001 Hz", "1")
    f.channel(5, head[4], 1, "nA", "1")
    f.save(folder, end="\r\n", last_end=False)


STYLES = (script_iso, german_semicolon, french_utf16, month_first_thousands, spanish_newest_first, fixed_width_pages,
          day_of_year, statistics_row_names, spreadsheet_serial, value_unit_pairs, pipes_with_zone, british_rain_totals,
          offset_suffix_quoted, long_preamble_gap, tidy_long, array_text, quoted_milliseconds, daily_files_joined,
          german_months_period, apostrophes_cut_off)

ABOUT = {
    "site": "Harrow Tarn embankment, invented; so are its loggers and all readings",
    "daylight_saving": "never, in all files",
    "loggers": "epochs: number, and the time of its first record, a profile",
    "rows": "line of the file (from 1), epoch, sequence, UTC time, battery in mV, board temperature in 0.01 °C or null "
            "(not measured), counts by channel or null (fault); in 15-one-value-a-row.csv also what the line shows",
    "faults": "epoch, sequence, channel, fault code that the logger has; the files show only that there is no value",
    "cleared_by_hand": "epoch, sequence, channel: the cell is empty, but the logger has a value",
    "left_out": "epoch, sequence, UTC time of readings made in the file's period that are not in the file",
    "other_records": "epoch, sequence, UTC time, kind of the records between the readings; no file has them",
    "other_lines": "first line, last line, what they are; every line of a file is here or in rows",
    "columns": "counted from 1; to_counts is what the file's number is multiplied with, or a formula; within: how far the "
               "result, rounded to a whole number, may be from what the logger recorded (counts, mV, 0.01 °C); 0: exact",
    "answers": "what a reasonable technician answers when asked about the file",
}


def write_truth(folder):
    """One row a line, so that a change can be read."""
    files = []
    for one in FILES:
        truth = one.truth()
        parts = []
        for key, what in truth.items():
            if key in ("rows", "columns", "left_out", "other_records", "faults", "channels") and what:
                body = ",\n".join("    " + json.dumps(x, ensure_ascii=False) for x in what)
                parts.append(f'   "{key}": [\n{body}\n   ]')
            else:
                parts.append(f'   "{key}": {json.dumps(what, ensure_ascii=False)}')
        files.append("  {\n" + ",\n".join(parts) + "\n  }")
    loggers = ",\n".join(
        "  " + json.dumps({"address": one.address, "name": one.name, "serial": one.serial, "interval_s": one.interval_s,
                          "raw_units": [c.raw_unit for c in one.channels],
                          "epochs": [[epoch, iso(start)] for epoch, start, _ in one.epochs]})
        for one in LOGGERS.values())
    about = json.dumps(ABOUT, ensure_ascii=False, indent=2)
    text = f'{{\n "about": {about},\n "loggers": [\n{loggers}\n ],\n "files": [\n' + ",\n".join(files) + "\n ]\n}\n"
    (folder / "truth.json").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    for style in STYLES:
        style(target)
    write_truth(target)
    print(f"{len(FILES)} files and truth.json")
