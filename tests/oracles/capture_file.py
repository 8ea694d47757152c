"""Stored captures, read as daemon/runs/README.md tells the layout, with none of our code."""

import json

import numpy as np


def rows(path):
    """Of each amplifier channel of a file: its number, sampling rate in Hz, volts and amperes."""
    head, packed = path.read_bytes().split(b"\n", 1)
    head = json.loads(head)
    assert head["format"] == "wattproof capture 2"
    found = []
    for channel in head["channels"]:
        samples = {}
        for quantity in ("volts", "amps"):
            row = channel.get(quantity)
            if row is not None:
                samples[quantity] = blocks(row, packed[: row["bytes"]])
                packed = packed[row["bytes"] :]
        found.append((channel["amplifier_channel"], channel["fs_hz"], samples))
    assert packed == b""
    return found


def blocks(row, packed):
    how = row["packing"]["blocks"]
    numbers = []
    at = 0
    while at < len(packed):
        bits = packed[at]
        words = np.frombuffer(packed, "<u4", 4 * bits, at + 1).reshape(bits, 4)
        at += 1 + 16 * bits
        # A lane as one long number, its first word lowest.
        lanes = [sum(int(word) << (32 * place) for place, word in enumerate(lane)) for lane in words.T]
        mask = (1 << bits) - 1
        numbers += [(lanes[n % 4] >> (n // 4 * bits)) & mask for n in range(128)]
    assert len(numbers) - row["samples"] in range(128)
    folded = np.array(numbers[: row["samples"]], dtype=np.int64)
    codes = (folded >> 1) ^ -(folded & 1)
    for _ in range(how["order"]):
        # What does not fit into 32 bits is cut off.
        codes = np.cumsum(codes).astype(np.int32).astype(np.int64)
    return (codes * 2.0 ** how["zero_bits"] * how["scale"] - how["offset"]) * how["gain"]
