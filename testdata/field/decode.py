"""Writes decode.csv: registers and what they mean, by Python's struct module.

usage: python3 decode.py > decode.csv

Struct encodes each value in the byte order of its type; the registers are then
put into the order of the row. Of 64-bit integers the value is Python's float(),
the nearest IEEE 754 double. Decimal digits and fields of bits are Python's own
int() of the digits, and its shifts. A value that is bad has its reason.
"""
import math
import random
import struct

random.seed(1)
PACK = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "int64": ">q", "uint64": ">Q", "float32": ">f", "float64": ">d"}


def ordered(data, order):
    words = [data[i:i + 2] for i in range(0, len(data), 2)]
    if order in ("CDAB", "DCBA"):
        words.reverse()
    if order in ("BADC", "DCBA"):
        words = [w[::-1] for w in words]
    return b"".join(words)


def row(kind, detail, data, value, reason=""):
    for order in ("ABCD", "BADC") if kind == "text" else ("ABCD", "CDAB", "BADC", "DCBA"):
        print(kind, detail, order, ordered(data, order).hex(), value, reason, sep=",")


def number(kind, data):
    v = struct.unpack(PACK[kind], data)[0]
    if isinstance(v, float) and not math.isfinite(v):
        row(kind, "", data, "", "not-a-number")
    else:
        row(kind, "", data, repr(float(v)))


print("type,detail,order,registers,value,reason")
for kind, form in PACK.items():
    size = struct.calcsize(form)
    width = 8 * size
    if kind.startswith("float"):
        exponent, fraction = (8, 23) if size == 4 else (11, 52)
        top = ((1 << exponent) - 1) << fraction  # infinity
        bits = [0, 1, (1 << fraction) - 1, 1 << fraction, top - 1, top, top + 1, top + (1 << (fraction - 1)), top + (1 << fraction) - 1]
        bits += [b | 1 << (width - 1) for b in bits]
    else:
        bits = [0, 1, (1 << (width - 1)) - 1, 1 << (width - 1), (1 << width) - 1, (1 << width) - 2]
        bits += [(1 << 53) + n for n in (-1, 0, 1, 2, 3)] if width == 64 else []
        bits += [(1 << 64) - (1 << 53) - n for n in (-1, 0, 1, 2, 3)] if width == 64 else []
        bits += [(1 << 63) - n for n in (512, 513, 1024)] + [(1 << 64) - n for n in (1024, 1025, 2048)] if width == 64 else []
    bits += [random.getrandbits(width) for _ in range(12)]
    for b in bits:
        number(kind, b.to_bytes(size, "big"))

for kind, size in ("bcd16", 2), ("bcd32", 4):
    digits = ["0" * 2 * size, "9" * 2 * size, "1" + "0" * (2 * size - 1), "0" * (2 * size - 1) + "1"]
    digits += ["%0*d" % (2 * size, random.randrange(10 ** (2 * size))) for _ in range(8)]
    for d in digits:
        row(kind, "", bytes.fromhex(d), repr(float(int(d))))
    for i in range(2 * size):
        for letter in "af":
            d = "1" * i + letter + "2" * (2 * size - i - 1)
            row(kind, "", bytes.fromhex(d), "", "invalid-code")

for kind, size in ("uint16", 2), ("uint32", 4), ("uint64", 8):
    for _ in range(8):
        low, high = sorted(random.sample(range(8 * size), 2))
        v = random.getrandbits(8 * size)
        field = v >> low & (1 << (high - low + 1)) - 1
        row(kind, "%d to %d" % (low, high), v.to_bytes(size, "big"), repr(float(field)))
for kind in "uint16", "int16":
    for bit in range(16):
        v = random.getrandbits(16)
        row(kind, str(bit), v.to_bytes(2, "big"), repr(float(v >> bit & 1)))

for text, registers in ("EBW 200", 4), ("V1.02", 8), ("", 1), ("~!\"#$", 3), (" 7", 1), ("x" * 250, 125):
    for fill in b"\0", b" ":
        row("text", text.encode("ascii").hex(), text.encode("ascii").ljust(2 * registers, fill), "1.0")
for b in 0x01, 0x0A, 0x1F, 0x7F, 0x80, 0xB0, 0xFF:
    row("text", "", bytes([0x41, b, 0x42, 0x43]), "", "invalid-code")
row("text", "", b"A\0BC", "", "invalid-code")  # a zero within
