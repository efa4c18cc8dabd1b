"""Writes a table with Python's own module csv, for interop_test.go.

csv_writer.py IN OUT DIALECT ENCODING SEPARATOR DECIMAL: IN has 64-bit floats, two a
row. DIALECT is one of the module's own; SEPARATOR "" is the dialect's.
"""
import csv
import struct
import sys

source, target, dialect, encoding, separator, decimal = sys.argv[1:]
with open(source, "rb") as f:
    rows = list(struct.iter_unpack("<2d", f.read()))
options = {"delimiter": separator} if separator else {}
with open(target, "w", newline="", encoding=encoding) as f:
    w = csv.writer(f, dialect, **options)
    w.writerow(["time / s", "current / A"])
    for row in rows:
        w.writerow([repr(v).replace(".", decimal) for v in row])
