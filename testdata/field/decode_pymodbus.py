"""Decodes the numbers of decode.csv with pymodbus 3.0 and prints how many agree.

usage: decode_pymodbus.py decode.csv
"""
import csv
import sys

from pymodbus.constants import Endian
from pymodbus.payload import BinaryPayloadDecoder

DECODE = {
    "int16": "decode_16bit_int", "int32": "decode_32bit_int", "int64": "decode_64bit_int",
    "uint16": "decode_16bit_uint", "uint32": "decode_32bit_uint", "uint64": "decode_64bit_uint",
    "float32": "decode_32bit_float", "float64": "decode_64bit_float",
}
agree = 0
with open(sys.argv[1]) as file:
    for row in csv.DictReader(file):
        if row["type"] not in DECODE or row["detail"] or row["reason"]:
            continue
        data = bytes.fromhex(row["registers"])
        decoder = BinaryPayloadDecoder.fromRegisters(
            [data[i] << 8 | data[i + 1] for i in range(0, len(data), 2)],
            byteorder=Endian.Little if row["order"] in ("BADC", "DCBA") else Endian.Big,
            wordorder=Endian.Little if row["order"] in ("CDAB", "DCBA") else Endian.Big)
        value = float(getattr(decoder, DECODE[row["type"]])())
        if value != float(row["value"]):
            sys.exit("%s: pymodbus decodes %r" % (row, value))
        agree += 1
print(agree)
