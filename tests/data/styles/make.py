#!/usr/bin/env python3
"""Makes the files of this folder, and truth.json, from one invented truth. README.md says with what.

    python3 make.py            # needs pandas, openpyxl, Rscript, soffice (LibreOffice), gawk, iconv

Site, loggers and readings are invented. Styles come from languages, spreadsheets and habits; no product's format is
imitated.
"""
import csv
import datetime as dt
import io
import json
import os
import random
import subprocess
import sys
import tempfile

import openpyxl
import pandas as pd

HERE = os.path.dirname(os.path.abspath(__file__))
UTC = dt.timezone.utc
# address: name, interval, raw units (1 milli_hertz, 2 milli_ohm, 3 nano_ratio, 4 nano_amp, 5 ten_nano_volt, 6 nano_sine,
# 7 pulse, 0 count), first values, and by how much one reading differs from the last.
LOGGERS = {
    21: ("P-21", 900, [1, 2], [2951859, 7290816], [900, 2500]),
    22: ("P-22", 1800, [3, 2], [1203457, 3012345], [700, 2100]),
    23: ("P-23", 3600, [4], [8214567], [5300]),
    24: ("P-24", 900, [6, 6], [103456789, -52345678], [41000, 37000]),
    25: ("P-25", 600, [7, 5], [4120, 31234567], [3, 12000]),
    26: ("P-26", 3600, [0, 1], [51234, 912345], [40, 800]),
}
EPOCH = 3
NAMES = {
    "en": "January February March April May June July August September October November December".split(),
    "de": "Januar Februar März April Mai Juni Juli August September Oktober November Dezember".split(),
    "fr": "janvier février mars avril mai juin juillet août septembre octobre novembre décembre".split(),
    "es": "enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre".split(),
}
DAYS = {
    "en": "Mon Tue Wed Thu Fri Sat Sun".split(),
    "de": "Mo Di Mi Do Fr Sa So".split(),
    "fr": "lun. mar. mer. jeu. ven. sam. dim.".split(),
}
files = []
series = {}


class Row:
    def __init__(self, sequence, time, battery, board, counts):
        self.sequence, self.time, self.battery, self.board, self.counts = sequence, time, battery, board, counts

    def local(self, hours=0.0):
        return dt.datetime.fromtimestamp(self.time, UTC).replace(tzinfo=None) + dt.timedelta(hours=hours)


def readings(address, start, rows, offset=0):
    """Rows of a logger: a random walk, the same each time. `offset`: seconds of its clock past the interval."""
    _, interval, _, first, by = LOGGERS[address]
    rng = random.Random(f"{address} {start} {rows}")
    at = int(dt.datetime.fromisoformat(start).replace(tzinfo=UTC).timestamp()) + offset
    counts, battery, board, sequence = list(first), 3620, 1240, rng.randrange(2000, 9000)
    out = []
    for _ in range(rows):
        out.append(Row(sequence, at, battery, board, list(counts)))
        counts = [c + rng.choice((-1, 1)) * rng.randrange(1, b + 1) for c, b in zip(counts, by)]
        battery = max(3500, battery + rng.choice((-1, 0, 0, 0, 1)))
        board += rng.randrange(-30, 31)
        at, sequence = at + interval, sequence + 1
    return out


def dec(value, places, mark="."):
    """A whole number of 10^-places as text."""
    sign, value = ("-", -value) if value < 0 else ("", value)
    if places == 0:
        return f"{sign}{value}"
    return f"{sign}{value // 10**places}{mark}{value % 10**places:0{places}}"


def rounded(value, step):
    return (value + step // 2) // step * step


def note(name, address, rows, utc_offset, made, **more):
    """Writes down the truth of a file."""
    first = min(rows, key=lambda row: row.time)
    key = f"{address} {first.time}"
    known = series.setdefault(key, {})
    for row in rows:
        known[row.sequence] = row
    files.append({
        "file": name,
        "logger": address,
        "made_with": made,
        "answers": {"utc_offset": utc_offset},
        "faults": more.get("faults", []),
        "no_value": more.get("no_value", []),
        "series": key,
    })


def dump(rows):
    stamp = lambda at: dt.datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return [[0, EPOCH, r.sequence, stamp(r.time), r.battery, r.board, r.counts] for r in rows.values()]


def put(name, text, encoding="utf-8", newline=""):
    with open(os.path.join(HERE, name), "w", encoding=encoding, newline=newline) as out:
        out.write(text)


def frame(rows, hours=0, fmt="%Y-%m-%d %H:%M:%S"):
    return pd.DataFrame({
        "time": [r.local(hours).strftime(fmt) for r in rows],
        "battery_mv": [r.battery for r in rows],
        "board_c": [r.board / 100 for r in rows],
        "freq": [r.counts[0] / 1000 for r in rows],
        "therm": [r.counts[1] / 1000 for r in rows],
    })


def table(rows, header, cells, sep=",", end="\n", before=(), after=(), quote=csv.QUOTE_MINIMAL, quotechar='"'):
    out = io.StringIO()
    for line in before:
        out.write(line + end)
    writer = csv.writer(out, delimiter=sep, lineterminator=end, quoting=quote, quotechar=quotechar)
    for line in header:
        writer.writerow(line)
    for row in rows:
        writer.writerow(cells(row))
    for line in after:
        out.write(line + end)
    return out.getvalue()


def hz(r, mark=".", channel=0):
    return dec(r.counts[channel], 3, mark)


def python_files():
    a = readings(21, "2026-05-27 03:00:00", 120, 34)
    made = "Python, pandas"
    d = frame(a).rename(columns={"freq": "freq_hz", "therm": "therm_ohm"})
    d.to_csv(os.path.join(HERE, "p01-index.csv"))
    note("p01-index.csv", 21, a, "+00:00", made)

    d = frame(a, 1, "%d.%m.%Y %H:%M:%S")
    d["battery_mv"] = d["battery_mv"] / 1000
    d.columns = ["Zeit", "Batterie (V)", "Gehäusetemperatur (°C)", "Frequenz [Hz]", "Widerstand [Ohm]"]
    d.to_csv(os.path.join(HERE, "p02-deutsch.csv"), sep=";", decimal=",", index=False, encoding="cp1252",
             float_format="%.3f")
    note("p02-deutsch.csv", 21, a, "+01:00", made)

    d = frame(a, -7).rename(columns={"freq": "Frequency (Hz)", "therm": "Thermistor (ohm)"})
    gone = [(7, "Thermistor (ohm)"), (30, "Frequency (Hz)"), (31, "Frequency (Hz)"), (31, "Thermistor (ohm)")]
    for at, name in gone:
        d.loc[at, name] = None
    d.loc[50, "board_c"] = None
    d.to_csv(os.path.join(HERE, "p03-nan.csv"), na_rep="NaN", index=False)
    no_value = [a[at].sequence for at, _ in gone]
    note("p03-nan.csv", 21, a, "-07:00", made, no_value=no_value)

    b = readings(21, "2026-06-01 00:00:00", 100, 7)
    made = "Python, csv"
    head = ["battery (mV)", "vibrating wire (Hz)", "thermistor (ohm)"]
    rest = lambda r: [r.battery, hz(r), hz(r, channel=1)]
    put("p04-unix.csv", table(b, [["unix_time"] + head], lambda r: [r.time] + rest(r)))
    note("p04-unix.csv", 21, b, "+00:00", made)
    put("p05-millis.csv", table(b, [["timestamp"] + head], lambda r: [r.time * 1000] + rest(r)))
    note("p05-millis.csv", 21, b, "+00:00", made)
    put("p06-unix-float.csv", table(b, [["time"] + head], lambda r: [f"{r.time}.0"] + rest(r)))
    note("p06-unix-float.csv", 21, b, "+00:00", made)
    put("p07-half-days.csv", table(b, [["Date/Time"] + head],
                                   lambda r: [r.local(-7).strftime("%m/%d/%Y %I:%M:%S %p")] + rest(r)))
    note("p07-half-days.csv", 21, b, "-07:00", made)

    c = readings(26, "2026-03-01 00:00:00", 200, 0)
    put("p08-ambiguous-days.csv", table(
        c, [["Date", "Count", "Frequency (Hz)"]],
        lambda r: [r.local(0).strftime("%d/%m/%Y %H:%M"), r.counts[0], hz(r, channel=1)]))
    note("p08-ambiguous-days.csv", 26, c, "+00:00", made)

    def french(r):
        t = r.local(2)
        return [f"{t.day} {NAMES['fr'][t.month - 1]} {t.year} {t:%H:%M:%S}", r.battery, dec(r.board, 2, ","),
                hz(r, ","), hz(r, ",", 1)]
    put("p09-francais.csv", table(
        a, [["Horodatage", "Pile (mV)", "Température boîtier (°C)", "Fréquence (Hz)", "Résistance (Ω)"]], french, ";"),
        "utf-8-sig")
    note("p09-francais.csv", 21, a, "+02:00", made)

    def spanish(r):
        t = r.local(-6)
        return [t.strftime("%d/%m/%Y"), f"{t:%I:%M:%S} {'a. m.' if t.hour < 12 else 'p. m.'}", dec(r.battery, 3, ","),
                hz(r, ","), hz(r, ",", 1)]
    put("p10-espanol.csv", table(
        a, [["Fecha", "Hora", "Batería (V)", "Frecuencia (Hz)", "Resistencia (ohm)"]], spanish, ";"))
    note("p10-espanol.csv", 21, a, "-06:00", made)

    put("p11-units-row.csv", table(
        a, [["TIMESTAMP", "RECORD", "Batt", "Housing", "Freq", "Therm"], ["UTC", "", "V", "degC", "Hz", "Ohms"]],
        lambda r: [r.local().strftime("%Y-%m-%d %H:%M:%S"), r.sequence - 17, dec(r.battery, 3), dec(r.board, 2), hz(r),
                   hz(r, channel=1)], quote=csv.QUOTE_ALL))
    note("p11-units-row.csv", 21, a, "+00:00", made)

    before = ["Harrow Tarn embankment", "Reader 7", "Downloaded;2026-06-03 09:12", "Station;P-21", "",
              "All times UTC+1", "Rows;120", ""]
    mean = lambda f: dec(sum(f(r) for r in a) // len(a), 3, ",")
    after = ["", f"Mittelwert;;;{mean(lambda r: r.counts[0])};{mean(lambda r: r.counts[1])};",
             "Ende der Daten;;;;;", "120 Zeilen"]
    put("p12-preamble-footer.csv", table(
        a, [["Datum", "Uhrzeit", "Akku (mV)", "Frequenz (Hz)", "Thermistor (Ohm)", ""]],
        lambda r: [r.local(1).strftime("%d.%m.%Y"), r.local(1).strftime("%H:%M:%S"), r.battery, hz(r, ","),
                   hz(r, ",", 1), ""], ";", "\r\n", before, after))
    note("p12-preamble-footer.csv", 21, a, "+01:00", made)

    at = {11, 12, 57}
    put("p13-minus-9999.csv", table(
        a, [["Time (UTC)", "Frequency (Hz)", "Thermistor (ohm)"]],
        lambda r: [r.local().strftime("%Y/%m/%d %H:%M:%S"),
                   "-9999" if a.index(r) in at else hz(r), hz(r, channel=1)]))
    note("p13-minus-9999.csv", 21, a, "+00:00", made, no_value=[a[i].sequence for i in at])

    def texts(r):
        i = a.index(r)
        f = {5: "---", 6: "---", 40: "n/a"}.get(i, hz(r))
        t = {70: "OPEN", 71: "OPEN"}.get(i, hz(r, channel=1))
        return [r.local(-7).isoformat() + "-07:00", f, t]
    put("p14-texts.csv", table(a, [["time", "wire [Hz]", "thermistor [ohm]"]], texts))
    faulted = [a[70].sequence, a[71].sequence]
    note("p14-texts.csv", 21, a, "-07:00", made, no_value=[a[i].sequence for i in (5, 6, 40)],
         faults=[[EPOCH, s, 1, 1] for s in faulted])

    grouped = lambda v: f"{v / 1000:,.3f}"
    put("p15-thousands.csv", table(
        a, [["Time", "Battery mV", "Frequency, Hz", "Thermistor, ohm"]],
        lambda r: [r.local(-7).strftime("%b %d, %Y %H:%M:%S"), f"{r.battery:,}", grouped(r.counts[0]),
                   grouped(r.counts[1])]))
    note("p15-thousands.csv", 21, a, "-07:00", made)

    put("p16-units-in-cells.csv", table(
        b, [["Time", "Battery", "Wire", "Thermistor"]],
        lambda r: [r.local(-7).strftime("%Y-%m-%d %H:%M:%S"), f"{r.battery} mV", f"{hz(r)} Hz", f"{hz(r, channel=1)} ohm"]))
    note("p16-units-in-cells.csv", 21, b, "-07:00", made)

    put("p17-value-unit-pairs.csv", table(
        b, [["time", "battery", "unit", "wire", "unit", "thermistor", "unit"]],
        lambda r: [r.local().strftime("%Y-%m-%dT%H:%M:%SZ"), dec(r.battery, 3), "V", hz(r), "Hz", hz(r, channel=1), "ohm"]))
    note("p17-value-unit-pairs.csv", 21, b, "+00:00", made)

    put("p18-digits.csv", table(b, [["stamp"] + head], lambda r: [r.local(-7).strftime("%Y%m%d%H%M%S")] + rest(r)))
    note("p18-digits.csv", 21, b, "-07:00", made)
    put("p19-day-of-year.csv", table(b, [["yday_time"] + head],
                                     lambda r: [r.local(-7).strftime("%Y-%j %H:%M:%S")] + rest(r)))
    note("p19-day-of-year.csv", 21, b, "-07:00", made)
    put("p20-parts.csv", table(
        b, [["Year", "DOY", "Hour", "Minute", "Second"] + head],
        lambda r: [*r.local(-7).strftime("%Y %j %H %M %S").split()] + rest(r)))
    note("p20-parts.csv", 21, b, "-07:00", made)
    put("p21-abbreviation.csv", table(b, [["local time"] + head],
                                      lambda r: [r.local(-7).strftime("%Y-%m-%d %H:%M:%S MST")] + rest(r)))
    note("p21-abbreviation.csv", 21, b, "-07:00", made)

    def weekday(r, language, form):
        t = r.local(1)
        names = {"day": DAYS[language][t.weekday()], "d": t.day, "month": NAMES[language][t.month - 1], "t": t}
        return form.format(**names)
    put("p22-weekdays.csv", table(
        b, [["Measured at"] + head], lambda r: [weekday(r, "en", "{day} {d} {month} {t:%Y %H:%M:%S}")] + rest(r)))
    note("p22-weekdays.csv", 21, b, "+01:00", made)
    put("p23-wochentage.csv", table(
        b, [["Messzeit", "Batteriespannung [V]", "Frequenz in Hz", "Widerstand in Ohm"]],
        lambda r: [weekday(r, "de", "{day}, {d}. {month} {t:%Y %H:%M:%S}"), dec(r.battery, 3, ","), hz(r, ","), hz(r, ",", 1)],
        ";"), "latin-1")
    note("p23-wochentage.csv", 21, b, "+01:00", made)

    rng = random.Random(24)
    def fraction(r):
        t = r.local(-7) + dt.timedelta(milliseconds=rng.randrange(-400, 400))
        return [t.strftime("%Y-%m-%d %H:%M:%S.") + f"{t.microsecond // 1000:03}"] + rest(r)
    put("p24-fractions.csv", table(b, [["time"] + head], fraction))
    note("p24-fractions.csv", 21, b, "-07:00", made)

    put("p25-record.csv", table(
        b, [["Record", "Time", "Frequency (Hz)", "Thermistor (ohm)"]],
        lambda r: [r.sequence, r.local(-7).strftime("%Y-%m-%d %H:%M:%S"), hz(r), hz(r, channel=1)]))
    note("p25-record.csv", 21, b, "-07:00", made)
    put("p26-single-quotes.csv", table(
        b, [["time"] + head], lambda r: [r.local(-7).strftime("%d.%m.%Y, %H:%M:%S")] + rest(r), quotechar="'"))
    note("p26-single-quotes.csv", 21, b, "-07:00", made)
    turned = list(reversed(a))
    put("p27-newest-first.csv", table(
        turned + turned[-5:], [["time", "freq Hz", "therm ohm"]],
        lambda r: [r.local(-7).strftime("%Y-%m-%d %H:%M:%S"), hz(r), hz(r, channel=1)]))
    note("p27-newest-first.csv", 21, a, "-07:00", made)
    put("p28-utf16-tabs.txt", table(
        a, [["Zeit", "Frequenz (Hz)", "Temperaturfühler (Ω)"]],
        lambda r: [r.local(1).strftime("%d.%m.%Y %H:%M:%S"), hz(r, ","), hz(r, ",", 1)], "\t", "\r\n"), "utf-16")
    note("p28-utf16-tabs.txt", 21, a, "+01:00", made)
    put("p29-minutes.csv", table(
        a, [["Date", "Time", "Hz", "ohm"]],
        lambda r: [r.local(-7).strftime("%m/%d/%Y"), r.local(-7).strftime("%H:%M"), dec(rounded(r.counts[0], 100) // 100, 1),
                   dec(rounded(r.counts[1], 1000) // 1000, 0)]))
    note("p29-minutes.csv", 21, a, "-07:00", made)
    put("p30-bars.txt", table(
        a, [["time ", " battery V ", " wire Hz ", " thermistor ohm"]],
        lambda r: [r.local(-7).strftime("%d-%b-%Y %H:%M:%S "), f" {dec(r.battery, 3)} ", f" {hz(r)} ", f" {hz(r, channel=1)}"],
        "|", quote=csv.QUOTE_NONE))
    note("p30-bars.txt", 21, a, "-07:00", made)

    e = readings(22, "2026-07-01 00:00:00", 90, 3)
    put("p31-bridge.csv", table(
        e, [["Time", "Bridge (mV/V)", "Thermistor (kΩ)"]],
        lambda r: [r.local(-7).strftime("%Y-%m-%d %H:%M:%S"), dec(r.counts[0], 6), dec(r.counts[1], 6)]))
    note("p31-bridge.csv", 22, e, "-07:00", made)
    f = readings(23, "2026-07-01 00:00:00", 150, 59)
    put("p32-loop.csv", table(
        f, [["datetime", "batt_v", "loop_mA"]],
        lambda r: [r.local(-7).strftime("%Y-%m-%d %H:%M:%S"), dec(r.battery, 3), dec(r.counts[0], 6)]))
    note("p32-loop.csv", 23, f, "-07:00", made)
    g = readings(24, "2026-07-01 00:00:00", 110, 12)
    put("p33-tilt.csv", table(
        g, [["Time", "A (sine)", "B (sine)"]],
        lambda r: [r.local(-7).strftime("%Y-%m-%d %H:%M:%S"), dec(r.counts[0], 9), dec(r.counts[1], 9)]))
    note("p33-tilt.csv", 24, g, "-07:00", made)
    h = readings(25, "2026-07-01 00:00:00", 130, 41)
    put("p34-rain.csv", table(
        h, [["Time", "Rain (pulses)", "Level (mV)"]],
        lambda r: [r.local(-7).strftime("%Y-%m-%d %H:%M:%S"), r.counts[0], dec(r.counts[1], 5)]))
    note("p34-rain.csv", 25, h, "-07:00", made)
    put("p35-no-units.csv", table(
        h, [["when", "volts", "tips", "level", "head_m"]],
        lambda r: [r.local(-7).strftime("%Y-%m-%d %H:%M:%S"), dec(r.battery, 3), r.counts[0], dec(r.counts[1], 5),
                   f"{r.counts[1] / 9e6:.3f}"]))
    note("p35-no-units.csv", 25, h, "-07:00", made)


R_SCRIPT = r"""
args <- commandArgs(TRUE)
d <- read.csv(args[1], stringsAsFactors = FALSE)
at <- as.POSIXct(d$unix, origin = "1970-01-01", tz = "UTC")
out <- function(name) file.path(args[2], name)
x <- data.frame(time = format(at, "%Y-%m-%d %H:%M:%S"), battery = d$battery / 1000, freq_Hz = d$c0 / 1000,
                therm_ohm = d$c1 / 1000)
write.csv(x, out("r01-write-csv.csv"))
write.table(x, out("r02-write-table.txt"))
y <- data.frame(Zeit = format(at + 3600, "%d.%m.%Y %H:%M:%S"), Batterie_V = x$battery, Frequenz_Hz = x$freq_Hz,
                Widerstand_ohm = x$therm_ohm)
write.csv2(y, out("r03-write-csv2.csv"), row.names = FALSE)
z <- x
z$therm_ohm[c(9, 10, 44)] <- NA
write.table(z, out("r04-tabs-na.tsv"), sep = "\t", quote = FALSE, row.names = FALSE)
options(width = 200, digits = 15)
w <- data.frame(date = format(at, "%d/%m/%y"), clock = format(at, "%H:%M:%S"), Hz = sprintf("%.3f", x$freq_Hz),
                ohm = sprintf("%.3f", x$therm_ohm))
writeLines(capture.output(print(w, row.names = FALSE)), out("r05-print.txt"))
v <- data.frame(time = as.numeric(at), freq_Hz = x$freq_Hz, therm_ohm = x$therm_ohm)
write.csv(format(v, nsmall = 3, digits = 15, trim = TRUE), out("r06-numeric-time.csv"), quote = FALSE, row.names = FALSE)
"""


def r_files(folder):
    a = readings(21, "2026-04-20 00:00:00", 110, 22)
    base = os.path.join(folder, "base.csv")
    with open(base, "w") as out:
        out.write("unix,battery,c0,c1\n")
        for r in a:
            out.write(f"{r.time},{r.battery},{r.counts[0]},{r.counts[1]}\n")
    script = os.path.join(folder, "make.R")
    with open(script, "w") as out:
        out.write(R_SCRIPT)
    subprocess.run(["Rscript", "--vanilla", script, base, HERE], check=True, env={**os.environ, "LC_ALL": "C.UTF-8"})
    for name, offset in [("r01-write-csv.csv", "+00:00"), ("r02-write-table.txt", "+00:00"),
                         ("r03-write-csv2.csv", "+01:00"), ("r05-print.txt", "+00:00"), ("r06-numeric-time.csv", "+00:00")]:
        note(name, 21, a, offset, "R")
    note("r04-tabs-na.tsv", 21, a, "+00:00", "R", no_value=[a[i].sequence for i in (8, 9, 43)])


def spreadsheet(folder, name, rows, header, cells, formats, language, separator):
    """A workbook, saved as CSV by a spreadsheet in a language."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(header)
    for row in rows:
        sheet.append(cells(row))
    for column, form in enumerate(formats, 1):
        for cell in list(sheet.columns)[column - 1][1:]:
            cell.number_format = form
    stem = os.path.splitext(name)[0]
    path = os.path.join(folder, stem + ".xlsx")
    book.save(path)
    form = f"csv:Text - txt - csv (StarCalc):{separator},34,76,1,,{language},false,true,false"
    profile = f"-env:UserInstallation=file://{folder}/profile"
    subprocess.run(["soffice", profile, "--headless", "--convert-to", form, "--outdir", folder, path], check=True,
                   stdout=subprocess.DEVNULL)
    os.replace(os.path.join(folder, stem + ".csv"), os.path.join(HERE, name))


def spreadsheet_files(folder):
    a = readings(21, "2026-08-10 00:00:00", 100, 50)
    value = lambda r, hours: [r.local(hours), r.battery / 1000, r.counts[0] / 1000, r.counts[1] / 1000]
    made = "openpyxl, then LibreOffice (saved as CSV)"
    spreadsheet(folder, "s01-deutsch.csv", a, ["Zeitpunkt", "Batterie (V)", "Frequenz (Hz)", "Widerstand (Ohm)"],
                lambda r: value(r, 1),
                ["[$-407]DD.MM.YYYY HH:MM:SS", "[$-407]0.000", "[$-407]#,##0.000", "[$-407]#,##0.000"], 1031, 59)
    note("s01-deutsch.csv", 21, a, "+01:00", made)
    spreadsheet(folder, "s02-month-first.csv", a, ["Date and time", "Battery (V)", "Frequency (Hz)", "Thermistor (ohm)"],
                lambda r: value(r, -7), ["MM/DD/YY HH:MM:SS AM/PM", "0.000", "#,##0.000", "#,##0.000"], 1033, 44)
    note("s02-month-first.csv", 21, a, "-07:00", made)
    serial = lambda r: (r.local(-7) - dt.datetime(1899, 12, 30)).total_seconds() / 86400
    spreadsheet(folder, "s03-serial.csv", a, ["Time", "Frequency (Hz)", "Thermistor (ohm)"],
                lambda r: [serial(r), r.counts[0] / 1000, r.counts[1] / 1000], ["0.00000000", "0.000", "0.000"], 1033, 44)
    note("s03-serial.csv", 21, a, "-07:00", made)
    spreadsheet(folder, "s04-francais.csv", a, ["Date et heure", "Pile (V)", "Fréquence (Hz)", "Résistance (ohm)"],
                lambda r: value(r, 2),
                ["[$-40C]DD/MM/YYYY HH:MM:SS", "[$-40C]0.000", "[$-40C]#,##0.000", "[$-40C]#,##0.000"], 1036, 59)
    note("s04-francais.csv", 21, a, "+02:00", made)
    spreadsheet(folder, "s05-days-and-clock.csv", a, ["Day", "Clock", "Raw Hz", "Raw ohm"],
                lambda r: [r.local(-7).date(), r.local(-7).time(), r.counts[0] / 1000, r.counts[1] / 1000],
                ["YYYY-MM-DD", "HH:MM:SS", "0.000", "0.000"], 1033, 9)
    note("s05-days-and-clock.csv", 21, a, "-07:00", made)


def awk_files(folder):
    a = readings(21, "2026-09-01 00:00:00", 100, 15)
    base = os.path.join(folder, "awk.txt")
    with open(base, "w") as out:
        for i, r in enumerate(a):
            wire = "" if i in (20, 21, 66) else hz(r)
            out.write(f"{r.local(-7):%Y-%m-%d %H:%M:%S},{dec(r.battery, 3)},{wire},{hz(r, channel=1)}\n")
    gone = [a[i].sequence for i in (20, 21, 66)]
    run = lambda command: subprocess.run(["bash", "-c", "set -e -o pipefail; " + command], check=True, cwd=HERE,
                                         env={**os.environ, "BASE": base, "LC_ALL": "C.UTF-8"})
    full = "gawk -F, '$3 != \"\"' \"$BASE\""
    run("""gawk -F, 'BEGIN { printf "%-19s %8s %10s %10s\\n", "Time", "Batt_V", "Wire_Hz", "Therm_ohm" }
         { printf "%-19s %8s %10s %10s\\n", $1, $2, $3, $4 }' "$BASE" > a01-fixed-width.txt""")
    note("a01-fixed-width.txt", 21, a, "-07:00", "gawk", no_value=gone)
    run(full + """ | gawk -F, 'BEGIN { print "time,battery V,wire Hz,thermistor ohm" } { print }' | tr '\\n' '\\r' > a02-returns.csv""")
    whole = [r for r in a if r.sequence not in gone]
    note("a02-returns.csv", 21, whole, "-07:00", "gawk, tr")
    run(full + """ | gawk -F, 'BEGIN { print "time\\tfrequency (Hz)\\tthermistor (Ω)" } { print $1 "\\t" $3 "\\t" $4 }' \
         | iconv -f UTF-8 -t UTF-16LE > a03-utf16-no-mark.txt""")
    note("a03-utf16-no-mark.txt", 21, whole, "-07:00", "gawk, iconv")
    run(full + """ | gawk -F, 'BEGIN { print "date clock battery_V wire_Hz thermistor_ohm" }
         { print $1, $2, $3, $4 }' > a04-spaces.txt""")
    note("a04-spaces.txt", 21, whole, "-07:00", "gawk")
    run(full + """ | gawk -F, '{ split($1, t, /[- :]/); printf "%s/%s/%s %s%s;%s;%s;%s;\\r\\n", t[3], t[2], t[1], t[4], t[5],
         $3, $4, NR }' > a05-no-header.csv""")
    note("a05-no-header.csv", 21, whole, "-07:00", "gawk")
    run(full + """ | gawk -F, 'BEGIN { print "# P-21, read with a script"; print "# time wire_Hz therm_ohm" }
         { sub(/ /, "T", $1); printf "%s  %s  %s\\n", $1, $3, $4 }' > a06-comments.txt""")
    note("a06-comments.txt", 21, whole, "-07:00", "gawk")


def main():
    with tempfile.TemporaryDirectory() as folder:
        python_files()
        r_files(folder)
        spreadsheet_files(folder)
        awk_files(folder)
    loggers = [
        {"address": address, "name": name, "interval_s": interval, "raw_units": units}
        for address, (name, interval, units, _, _) in LOGGERS.items()
    ]
    about = {
        "site": "Harrow Tarn embankment, invented; so are its loggers and all readings",
        "series": "0, epoch, sequence, UTC time, battery in mV, board temperature in 0.01 °C, counts",
        "no_value": "sequences of rows that have no value in a channel",
        "faults": "epoch, sequence, channel, fault code",
    }
    with open(os.path.join(HERE, "truth.json"), "w") as out:
        out.write('{"about": ' + json.dumps(about, ensure_ascii=False) + ',\n"loggers": ' + json.dumps(loggers) + ',\n"series": {\n')
        out.write(",\n".join(f"{json.dumps(key)}: {json.dumps(dump(rows))}" for key, rows in series.items()))
        out.write('\n},\n"files": [\n')
        out.write(",\n".join(json.dumps(of, ensure_ascii=False) for of in files))
        out.write("\n]}\n")
    print(len(files), "files")


if __name__ == "__main__":
    sys.exit(main())
