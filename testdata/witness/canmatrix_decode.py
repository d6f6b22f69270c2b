"""Decodes frames with canmatrix, as a witness for plugproof's own decoder.

Reads requests from standard input, one JSON object a line:

    {"path": FILE, "messages": [{"id": 513, "extended": false, "frames": [HEX, ...]}, ...]}

and answers each with one line:

    {"error": TEXT or "", "absent": [[ID, EXTENDED, NAME], ...], "messages": [{
        "skip": WORDS or "", "outside": [PLACE, ...],
        "frames": [{PLACE: [RAW, PHYSICAL], ...}, ...]}, ...]}

"absent" lists messages that canmatrix has and the request does not ask for.
Signals go by their place, as the DBC file writes it, and a number for those of
one place: "7|16@0 1". Names do not tell them apart where a file uses one twice.
RAW is a decimal integer, or "f" and the bits of a float as a hexadecimal
float64; PHYSICAL is a float. Both are strings, since JSON has no NaN. Signals
that do not lie within their message make canmatrix fail: they are taken out
first and listed in "outside".
"""

import json
import logging
import os
import struct
import sys

answers = os.fdopen(os.dup(1), "w")
os.dup2(2, 1)  # canmatrix prints its complaints on standard output
logging.disable(logging.CRITICAL)

import canmatrix.formats.dbc  # noqa: E402  (after the redirection: it prints, too)


def fits(signal, size):
    return 0 <= signal.start_bit and signal.start_bit + signal.size <= 8 * size and signal.size > 0


def rename(frame):
    seen = {}
    for s in frame.signals:
        place = "%d|%d@%d" % (s.get_startbit(bit_numbering=1), s.size, s.is_little_endian)
        seen[place] = seen.get(place, 0) + 1
        s.name = "%s %d" % (place, seen[place])


def show(value):
    if isinstance(value, float):
        return "f" + struct.pack(">d", value).hex()
    return str(value)


def decode(frame, asked):
    out = {"skip": "", "outside": [], "frames": []}
    if frame is None:
        out["skip"] = "absent"
    elif frame.is_complex_multiplexed:
        out["skip"] = "extended multiplexing"
    elif frame.size == 0:
        out["skip"] = "size 0"
    elif any(len(data) != 2 * frame.size for data in asked["frames"]):
        out["skip"] = "size %d" % frame.size
    if out["skip"]:
        return out
    rename(frame)
    out["outside"] = [s.name for s in frame.signals if not fits(s, frame.size)]
    frame.signals = [s for s in frame.signals if fits(s, frame.size)]
    for data in asked["frames"]:
        try:
            values = frame.decode(bytearray.fromhex(data))
        except Exception as e:  # whatever it is, the test has to know
            out["skip"] = "failed: " + repr(e)
            return out
        out["frames"].append({n: [show(v.raw_value), str(float(v.phys_value))] for n, v in values.items()})
    return out


def answer(request):
    out = {"error": "", "absent": [], "messages": []}
    try:
        with open(request["path"], "rb") as f:
            matrix = canmatrix.formats.dbc.load(f)
    except Exception as e:
        out["error"] = repr(e)
        return out
    frames = {(f.arbitration_id.id, bool(f.arbitration_id.extended)): f for f in matrix.frames}
    for asked in request["messages"]:
        out["messages"].append(decode(frames.pop((asked["id"], asked["extended"]), None), asked))
    out["absent"] = [[i, e, f.name] for (i, e), f in sorted(frames.items())]
    return out


for line in sys.stdin:
    print(json.dumps(answer(json.loads(line)), separators=(",", ":")), file=answers, flush=True)
