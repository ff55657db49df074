"""Check values of keys, worked out by code that shares nothing with the program: docs/wire-format.md, section 6.

HKDF-SHA-256 as RFC 5869 describes it (extract, then expand), from Python's `hmac` and `hashlib` alone. Before it prints
anything it checks itself against test case 1 of appendix A of that RFC. Prints tests/data/reference/key_check.csv:

    python3 tests/scripts/key_checks.py > tests/data/reference/key_check.csv

Keys are those of tests/data/wire/wire-v1.json, which serve for tests only.
"""
import hashlib, hmac, json, pathlib


def hkdf(key, salt, info, length):
    extracted = hmac.new(salt, key, hashlib.sha256).digest()
    out, block, number = b"", b"", 1
    while len(out) < length:
        block = hmac.new(extracted, block + info + bytes([number]), hashlib.sha256).digest()
        out, number = out + block, number + 1
    return out[:length]


rfc = hkdf(b"\x0b" * 22, bytes(range(13)), bytes(range(0xF0, 0xFA)), 42).hex()
assert rfc == "3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf34007208d5b887185865"

wire = json.loads((pathlib.Path(__file__).parents[1] / "data/wire/wire-v1.json").read_text())
places = {(key["address"], key["slot"], key["key_hex"]) for key in wire["key_derivation"] + wire["keys"]}
# One key under several names, and the largest and smallest names.
places |= {(a, s, "4be07113c9a65d28f00d3a9e62b4178c") for a, s in [(1, 0), (1, 255), (256, 0), (65534, 255)]}
print("source,address,slot,key_hex,check_hex")
for address, slot, key in sorted(places):
    info = b"check" + address.to_bytes(2, "big") + bytes([slot])
    check = hkdf(bytes.fromhex(key), b"stonechat/1", info, 16).hex()
    print(f"Python hmac and hashlib,{address},{slot},{key},{check}")
