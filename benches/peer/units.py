"""What somebody with numpy would write for the conversions of src/units: whole arrays, the bare arithmetic.

Usage: units.py FOLDER    prints a line a conversion: name, seconds, sum of its values; tabs between

FOLDER has one file of little-endian i32 counts an input. Reading them is not timed; each conversion runs twice, and the
second run is timed. Inputs are in range throughout, so that no masks are needed but those of the formulas' own branches.
"""

import sys
import time
from pathlib import Path

import numpy as np

folder = Path(sys.argv[1])
wire, thermistor, platinum, current, ratio, wiper, sine, total = (
    np.fromfile(folder / name, dtype="<i4")
    for name in ("wire", "thermistor", "platinum", "current", "ratio", "wiper", "sine", "total")
)


def reading():
    f = wire / 1e3
    return f * f / 1000


def linear():
    return 0.1234 * (8900.5 - reading())


def quadratic():
    r, r0 = reading(), 8900.5
    a, b = -1.2345e-6, -0.1012
    return (a * r + b) * r - (a * r0 + b) * r0


def corrected():
    t1, s1 = platinum / 1e4, 100.0 + ratio / 1e6
    return linear() + 0.045 * (t1 - 20.0) - 1.0 * (s1 - 101.325)


def steinhart_hart():
    ln = np.log(thermistor / 1e3 - 84.0)
    return 1 / (1.4051e-3 + 2.369e-4 * ln + 1.019e-7 * ln * ln * ln) - 273.15


def beta():
    return 1 / (1 / 298.15 + np.log((thermistor / 1e3 - 84.0) / 3000.0) / 3892.0) - 273.15


def rtd():
    a, b, c = 3.9083e-3, -5.775e-7, -4.183e-12
    w = (platinum / 1e3 - 0.4) / 100.0
    t = 2 * (w - 1) / (a + np.sqrt(a * a + 4 * b * (w - 1)))
    below = t < 0
    x, v = t[below], w[below]
    # As many steps as the worst of the values here needs for the last digit.
    for _ in range(3):
        off = 1 + x * (a + x * b) + c * (x - 100) * x * x * x - v
        x = x - off / (a + x * (2 * b + x * c * (4 * x - 300)))
    t[below] = x
    return t


def loop():
    return -1.0 + (9.0 - -1.0) * ((current / 1e6 - 4.0) / 16.0)


def quarter():
    vr = ratio / 1e9 - 1.5e-5
    return 4 * vr / (2.085 * (1 - 2 * vr))


def potentiometer():
    return -2.5 + 100.0 * (wiper / 1e9)


def tilt():
    return 3.0 * (sine / 1e9 - 0.0123)


def string():
    return np.cumsum(tilt().reshape(-1, 8), axis=1)


def pulses():
    d = np.diff(total)
    return 0.2 * np.where(d < 0, d + 65536, d)


def curves():
    x = wiper / 1e9
    y = 1.0 + x * (2.0 + x * (-0.5 + x * (0.25 + x * (0.125 + x * -0.06))))
    return np.interp(y, [0.0, 0.2, 1.5, 2.5, 2.6, 3.5, 9.0], [0.0, 3.0, 2.0, 4.5, 4.75, 1.0, 12.0])


def level():
    p, t = ratio / 1e4, platinum / 1e4
    off = t - 3.983035
    rho = 999.97495 * (1.0 - off * off * (t + 301.797) / (522528.9 * (t + 69.34881)))
    return 412.35 + p / (rho * 9.81 / 1000)


for name, work in (
    ("wire linear", linear),
    ("wire quadratic", quadratic),
    ("wire linear, temperature and air", corrected),
    ("thermistor, Steinhart–Hart", steinhart_hart),
    ("thermistor, beta", beta),
    ("platinum, both branches", rtd),
    ("loop", loop),
    ("quarter bridge", quarter),
    ("potentiometer", potentiometer),
    ("tilt", tilt),
    ("string of 8 tilts", string),
    ("pulses, modulus 65,536", pulses),
    ("polynomial of degree 5, 7 points' table", curves),
    ("level, density at temperature", level),
):
    work()
    since = time.perf_counter()
    values = work()
    took = time.perf_counter() - since
    sys.stdout.buffer.write(f"{name}\t{took}\t{float(np.sum(values))!r}\n".encode())
