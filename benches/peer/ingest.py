"""The script that a site would otherwise write: frames from a radio's bytes into SQLite.

Usage: ingest.py KEYS BYTES DATABASE BATCH    prints the frames stored and the seconds taken

KEYS has one line a logger: its address and its key in hex. BYTES stands in for the serial port. It does what
is needed and no more: frames between delimiters, COBS, check sequence, AES-GCM, fields, one row a reading in a
table with a key on logger, epoch and sequence, a commit each BATCH rows. Reading its input is not timed.
"""

import sqlite3
import struct
import sys
import time

import crcmod
from cobs import cobs
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

fcs = crcmod.mkCrcFun(0x11021, initCrc=0, rev=True, xorOut=0xFFFF)
header = struct.Struct(">BBHII")
fixed = struct.Struct(">IHhB")
counts_of = [struct.Struct(f">{n}i") for n in range(41)]


def main():
    keys_file, bytes_file, database, batch = sys.argv[1:5]
    ciphers = {}
    with open(keys_file) as lines:
        for line in lines:
            address, key = line.split()
            ciphers[int(address)] = AESGCM(bytes.fromhex(key))
    with open(bytes_file, "rb") as file:
        data = file.read()
    db = sqlite3.connect(database, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    channels = ", ".join(f"c{i} INTEGER" for i in range(8))
    db.execute(
        "CREATE TABLE reading (logger INTEGER, epoch INTEGER, sequence INTEGER, time INTEGER,"
        " received_at INTEGER, battery_mv INTEGER, board_centi_c INTEGER, rssi_dbm INTEGER,"
        f" snr_quarter_db INTEGER, {channels}, PRIMARY KEY (logger, epoch, sequence))"
    )
    insert = f"INSERT OR IGNORE INTO reading VALUES ({', '.join('?' * 17)})"
    batch = int(batch)
    rows = []
    stored = 0

    def commit():
        nonlocal stored
        db.execute("BEGIN IMMEDIATE")
        db.executemany(insert, rows)
        db.execute("COMMIT")
        stored += len(rows)
        rows.clear()

    since = time.perf_counter()
    for encoded in data.split(b"\0"):
        if not encoded:
            continue
        try:
            frame = cobs.decode(encoded)
        except cobs.DecodeError:
            continue
        if len(frame) < 32 or fcs(frame[:-2]) != int.from_bytes(frame[-2:], "little"):
            continue
        rssi = snr = None
        if frame[0] == 2:
            rssi, snr = struct.unpack_from("bb", frame, 1)
            air = frame[3:-2]
        else:
            air = frame[1:-2]
        version, slot, address, epoch, sequence = header.unpack_from(air)
        cipher = ciphers.get(address)
        if version != 1 or cipher is None:
            continue
        try:
            record = cipher.decrypt(air[:12], air[12:], air[:12])
        except InvalidTag:
            continue
        if record[0] != 1:
            continue
        at, battery, board, n = fixed.unpack_from(record, 1)
        counts = counts_of[n].unpack_from(record, 10 + (n + 7) // 8)
        rows.append((address, epoch, sequence, at, int(time.time()), battery, board, rssi, snr, *counts))
        if len(rows) >= batch:
            commit()
    if rows:
        commit()
    print(stored, time.perf_counter() - since)


main()
