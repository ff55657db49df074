"""What a site would write instead: a table read by Python's sqlite3, and written as Parquet by pyarrow.

Arguments: the database, the file. Prints two figures: seconds of reading into columns, seconds of writing.
"""
import datetime
import sqlite3
import sys
import time

import pyarrow
import pyarrow.parquet

began = time.perf_counter()
database = sqlite3.connect(sys.argv[1])
cursor = database.execute("SELECT * FROM wide")
names = [column[0] for column in cursor.description]
batches = []
while rows := cursor.fetchmany(65536):
    columns = dict(zip(names, zip(*rows)))
    columns["time"] = [datetime.datetime.fromisoformat(text.replace("Z", "+00:00")) for text in columns["time"]]
    batches.append(pyarrow.table({name: list(values) for name, values in columns.items()}))
table = pyarrow.concat_tables(batches)
read = time.perf_counter()
pyarrow.parquet.write_table(table, sys.argv[2], compression="snappy")
print(read - began, time.perf_counter() - read)
