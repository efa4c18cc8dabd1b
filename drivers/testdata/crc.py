"""Check sums by Debian's python3-crccheck, for crc_interop_test.go.

A line of standard input is the name of a check and data in hexadecimal digits; what
comes back is the sum, or "unknown" for a name that the library does not have.
"""
import importlib.metadata
import sys

import crccheck.crc

algorithms = {}
for algorithm in crccheck.crc.ALLCRCCLASSES:
    for name in algorithm._names:
        algorithms[name] = algorithm
print("ready crccheck", importlib.metadata.version("crccheck"), flush=True)
for line in sys.stdin:
    name, _, data = line.rstrip("\n").partition(" ")
    if name in algorithms:
        print("%X" % algorithms[name].calc(bytes.fromhex(data)), flush=True)
    else:
        print("unknown", flush=True)
