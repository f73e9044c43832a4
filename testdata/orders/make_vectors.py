"""Makes vectors.json: orders proven by Python's hmac. Run it here."""
import json
import sys

sys.path.insert(0, "../peers")
from sign_order import canonical, prove

KEY = "0123456789abcdef0123456789abcdef-operator-example"
ROOT = "ebbwatch/v1/kestrel-ridge/order/"
BASE = {"order": "o-1", "issued_at": "2026-11-25T18:59:30.000Z", "by": "on-call-1", "role": "operator", "alarm": "gas-1-level-2", "episode": 3}
cases = [
    ("acknowledge", "an acknowledgement", BASE),
    ("reset", "a reset without an episode", {k: v for k, v in BASE.items() if k != "episode"}),
    ("acknowledge", "letters beyond ASCII, and an equals sign", {**BASE, "by": "über=all"}),
    ("shelve", "a one-shot shelving with a reason", {**{k: v for k, v in BASE.items() if k != "episode"}, "one_shot": True, "reason": "Pump change; see log, p. 12"}),
    ("acknowledge", "the largest episode", {**BASE, "episode": 18446744073709551615}),
]
json.dump([
    {"name": name, "topic": ROOT + verb, "key": KEY, "payload": json.dumps({**order, "mac": prove(ROOT + verb, KEY, order)}, ensure_ascii=False),
     "canonical": canonical(ROOT + verb, order), "mac": prove(ROOT + verb, KEY, order)}
    for verb, name, order in cases], open("vectors.json", "w"), ensure_ascii=False, indent=2)
