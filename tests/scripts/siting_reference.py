"""Reference values for the tests of `siting`, from general-purpose libraries. Run by hand; nothing in a test needs it.

Python 3.11, geographiclib 2.1: pip install geographiclib. Prints the distances of src/siting/geodesy.rs.
"""

from geographiclib.geodesic import Geodesic

PLACES = [
    (47.0, -121.0, 47.01, -121.02),
    (47.0, -121.0, 46.9, -120.85),
    (-37.9510334167, 144.4248678889, -37.6528211389, 143.9264955278),
    (0.0, 10.0, 0.0, 10.5),
    (69.5, 179.95, 69.55, -179.9),
]

for a in PLACES:
    print(a, f"{Geodesic.WGS84.Inverse(*a)['s12']:.6f}")

# Times on air of chirp spread spectrum, written anew from the formula, for src/siting/airtime.rs.
from fractions import Fraction as F
from math import ceil


def on_air_ms(sf, payload, bw=125_000, cr=1, preamble=8, header=True, crc=True):
    symbol = F(2**sf, bw)
    low = 1 if symbol >= F(16, 1000) else 0
    bits = 8 * payload - 4 * sf + 28 + (16 if crc else 0) - (0 if header else 20)
    symbols = 8 + max(ceil(F(bits, 4 * (sf - 2 * low))) * (cr + 4), 0)
    return float((preamble + F(17, 4) + symbols) * symbol * 1000)


for sf, payload in [(7, 13), (7, 51), (8, 51), (9, 51), (10, 51), (11, 51), (12, 51), (12, 13)]:
    print(sf, payload, on_air_ms(sf, payload))
