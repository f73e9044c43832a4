"""Proves an order with a role's key, by Python's hmac. It is a peer for the tests
and an example for integrators.

usage: sign_order.py TOPIC KEY_FILE < order.json > proven.json
"""
import hashlib
import hmac
import json
import sys


def canonical(topic, order):
    def text(value):
        return value if isinstance(value, str) else json.dumps(value)

    lines = [topic] + [f"{name}={text(order[name])}" for name in sorted(order) if name != "mac"]
    return "".join(line + "\n" for line in lines)


def prove(topic, key, order):
    return hmac.new(key.encode(), canonical(topic, order).encode(), hashlib.sha256).hexdigest()


if __name__ == "__main__":
    with open(sys.argv[2]) as f:
        key = f.readline().rstrip("\r\n")
    order = json.load(sys.stdin)
    order["mac"] = prove(sys.argv[1], key, order)
    json.dump(order, sys.stdout, ensure_ascii=False)
