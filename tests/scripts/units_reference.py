"""Makes the `units_*.csv` of tests/data/reference: check values for src/units from general-purpose libraries.

Usage: units_reference.py FOLDER    needs numpy, scipy, iapws, pint; versions used: see the README beside the files

Nothing here is the project's own formula turned round: inverses are found by a root finder on the forward equation,
bridges by solving their node equations, sums in exact rationals.
"""

import random
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pint
from iapws import IAPWS95
from scipy.optimize import brentq

OUT = Path(sys.argv[1])
rng = random.Random(7)


def write(name, header, rows):
    with open(OUT / name, "w", encoding="utf-8") as file:
        file.write(header + "\n")
        for row in rows:
            file.write(",".join(v if isinstance(v, str) else repr(float(v)) for v in row) + "\n")


def uniform(low, high, digits):
    """A decimal with few digits, as f64: the Fraction of it is exactly what the project reads."""
    return float(f"{rng.uniform(low, high):.{digits}f}")


def rtd():
    a, b, c = 3.9083e-3, -5.775e-7, -4.183e-12

    def ratio(t):
        return 1 + a * t + b * t * t + (c * (t - 100) * t**3 if t < 0 else 0)

    rows = []
    for r0 in (100.0, 1000.0):
        for share in np.linspace(0.1853, 3.9048, 150):
            r = float(f"{share * r0:.4f}")
            rows.append((r0, r, brentq(lambda t: r0 * ratio(t) - r, -200.5, 850.5, xtol=1e-12, rtol=1e-15)))
    write("units_rtd_inverse.csv", "r0_ohm,r_ohm,t_degC", rows)


def ntc():
    sets = {"3k": (1.4051e-3, 2.369e-4, 1.019e-7), "10k": (1.129148e-3, 2.34125e-4, 8.76741e-8)}
    rows = []
    for a, b, c in sets.values():
        for t in np.arange(-50, 121, 2.5):
            target = 1 / (t + 273.15)
            ln = brentq(lambda x: a + b * x + c * x**3 - target, 0, 20, xtol=1e-15, rtol=1e-15)
            rows.append((a, b, c, np.exp(ln), t))
    write("units_steinhart_hart.csv", "a_per_kelvin,b_per_kelvin,c_per_kelvin,r_ohm,t_degC", rows)


def water():
    rows = [(t, IAPWS95(T=t + 273.15, P=0.101325).rho) for t in np.arange(1.0, 40.5, 1.0)]
    write("units_water_density.csv", "t_degC,rho_iapws95_1atm_kg_m3", rows)


def bridge():
    """Node equations of four arms between supply and ground, as a 2 x 2 system in floats of 64 bits."""

    def output(r1, r2, r3, r4):
        # Left node: r1 to the supply, r2 to ground; right node: r4 to the supply, r3 to ground. Tension in r1 lowers the
        # left node, so that right less left is positive in tension.
        g = np.array([[1 / r1 + 1 / r2, 0], [0, 1 / r4 + 1 / r3]])
        left, right = np.linalg.solve(g, np.array([1 / r1, 1 / r4]))
        return right - left

    rows = []
    for _ in range(60):
        gf, nu = uniform(1.9, 2.3, 3), uniform(0.2, 0.35, 3)
        strain = uniform(-0.02, 0.02, 6)
        up, across = 1 + gf * strain, 1 - nu * gf * strain
        rows += [
            ("quarter", gf, nu, strain, output(up, 1, 1, 1)),
            ("half_bending", gf, nu, strain, output(up, 1 - gf * strain, 1, 1)),
            ("half_poisson", gf, nu, strain, output(up, across, 1, 1)),
            ("full_bending", gf, nu, strain, output(up, 1 - gf * strain, up, 1 - gf * strain)),
            ("full_axial", gf, nu, strain, output(up, across, up, across)),
        ]
    write("units_bridge.csv", "arms,gauge_factor,poisson_ratio,strain_m_m,ratio_v_v", rows)


def wire():
    rows = []
    for _ in range(80):
        f = uniform(400, 4000, 3)
        factor, zero, per_degree, reference, celsius = (
            uniform(-1, 1, 5), uniform(2000, 9900, 1), uniform(-0.5, 0.5, 4), 21.4, uniform(-5, 30, 2))
        air_reference, air, share = uniform(80, 105, 3), uniform(80, 105, 3), uniform(0, 1, 2)
        reading = Fraction(f) ** 2 / 1000
        value = Fraction(factor) * (reading - Fraction(zero))
        value += Fraction(per_degree) * (Fraction(celsius) - Fraction(reference))
        value -= Fraction(share) * (Fraction(air) - Fraction(air_reference))
        rows.append((f, factor, zero, per_degree, reference, celsius, share, air_reference, air, value))
    header = ("f_hz,factor_kpa_per_1e3_hz2,zero_reading_1e3_hz2,temperature_factor_kpa_per_degC,reference_degC,"
              "temperature_degC,air_pressure_factor,reference_pressure_kpa,air_pressure_kpa,result_kpa")
    write("units_wire_pressure.csv", header, rows)


def curves():
    xs = [-5.0, -1.25, 0.0, 3.5, 3.75, 10.0, 250.0]
    ys = [17.5, 12.0, 12.0, -3.25, -4.0, 0.125, 9.0]
    rows = [(x, np.interp(x, xs, ys)) for x in sorted([uniform(-5, 250, 4) for _ in range(60)] + xs)]
    write("units_table_linear.csv", "x,y_interpolated", rows)
    rows = []
    for _ in range(60):
        c = [uniform(-2, 2, 6) for _ in range(8)]
        x = uniform(-3, 3, 4)
        y = sum(Fraction(k) * Fraction(x) ** i for i, k in enumerate(c))
        assert abs(np.polyval(c[::-1], x) - float(y)) < 1e-9 * (1 + abs(float(y)))
        rows.append((*c, x, y))
    write("units_polynomial.csv", "c0,c1,c2,c3,c4,c5,c6,c7,x,y", rows)


def string():
    """Joints in a plane from the lowest up: what numpy's cumsum gives with the datum at either end."""
    rows = []
    for case in range(12):
        n = rng.randint(1, 8)
        lengths = np.array([uniform(0.3, 3, 2) for _ in range(n)])
        s0 = np.array([uniform(-0.2, 0.2, 6) for _ in range(n)])
        s1 = np.array([uniform(-0.2, 0.2, 6) for _ in range(n)])
        joints = np.concatenate([[0], np.cumsum(lengths * (s1 - s0))])
        for i in range(n):
            rows.append(
                (str(case), lengths[i], s0[i], s1[i], joints[i + 1] - joints[0], joints[i] - joints[n])
            )
    header = "case,length_m,sine0,sine1,upper_end_from_lowest_m,lower_end_from_highest_m"
    write("units_tilt_string.csv", header, rows)


def conversions():
    names = {
        "Pa": "pascal", "hPa": "hectopascal", "kPa": "kilopascal", "MPa": "megapascal", "GPa": "gigapascal",
        "mbar": "millibar", "bar": "bar", "[psi]": "psi", "atm": "atmosphere", "att": "technical_atmosphere",
        "kgf/cm2": "kilogram_force / centimeter**2", "kN/m2": "kilonewton / meter**2",
        "N/mm2": "newton / millimeter**2",
        "m": "meter", "dm": "decimeter", "cm": "centimeter", "mm": "millimeter", "um": "micrometer",
        "km": "kilometer", "[in_i]": "inch", "[ft_i]": "foot",
        "K": "kelvin", "Cel": "degree_Celsius", "[degF]": "degree_Fahrenheit",
        "rad": "radian", "mrad": "milliradian", "deg": "degree", "'": "arcminute", "''": "arcsecond",
        "N": "newton", "kN": "kilonewton", "MN": "meganewton", "kgf": "kilogram_force", "[lbf_av]": "pound_force",
        "kN/m3": "kilonewton / meter**3", "N/m3": "newton / meter**3",
        "A": "ampere", "mA": "milliampere", "uA": "microampere", "V": "volt", "mV": "millivolt", "uV": "microvolt",
        "Ohm": "ohm", "kOhm": "kiloohm", "Hz": "hertz", "kHz": "kilohertz",
        "m3": "meter**3", "L": "liter", "mL": "milliliter",
        "m3/s": "meter**3 / second", "m3/h": "meter**3 / hour", "L/s": "liter / second", "L/min": "liter / minute",
        "m/s": "meter / second", "km/h": "kilometer / hour", "mm/h": "millimeter / hour", "mm/d": "millimeter / day",
        "g": "gram", "kg": "kilogram", "t": "metric_ton", "kg/m3": "kilogram / meter**3",
        "g/cm3": "gram / centimeter**3", "s": "second", "min": "minute", "h": "hour", "d": "day",
        "m/s2": "meter / second**2", "[g]": "standard_gravity",
    }
    registry = pint.UnitRegistry()
    rows = []
    codes = list(names)
    for source in codes:
        for target in codes:
            if source == target:
                continue
            value = uniform(1, 100, 3)
            quantity = registry.Quantity(value, registry.Unit(names[source]))
            if quantity.is_compatible_with(registry.Unit(names[target])):
                rows.append((value, source, target, quantity.to(names[target]).magnitude))
    write("units_conversions.csv", "value,from_ucum,to_ucum,result", rows)


rtd()
ntc()
water()
bridge()
wire()
curves()
string()
conversions()
