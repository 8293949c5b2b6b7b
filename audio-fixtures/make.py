#!/usr/bin/env python3
"""Writes the fixtures of this folder, byte by byte, so that each has exactly the oddity it is named for."""
import os
import struct

HERE = os.path.dirname(os.path.abspath(__file__))

# The same five values in every encoding, each exact in 8 bits: swaps, shifts and lost samples all show.
VALUES = [0.0, 0.5, -0.5, 0.25, -1.0]
PCM_GUID = bytes.fromhex("0100000000001000800000aa00389b71")
FLOAT_GUID = bytes.fromhex("0300000000001000800000aa00389b71")


def chunk(kind, body, size=None):
    size = len(body) if size is None else size
    return kind + struct.pack("<I", size) + body + b"\0" * (len(body) % 2)


def fmt(tag, channels, bits, rate=16000, tail=b""):
    block = channels * bits // 8
    return chunk(b"fmt ", struct.pack("<HHIIHH", tag, channels, rate, rate * block, block, bits) + tail)


def extensible(bits, guid):
    return fmt(0xFFFE, 1, bits, tail=struct.pack("<HHI", 22, bits, 4) + guid)


def sound(values, bits, is_float=False):
    if is_float:
        return struct.pack(f"<{len(values)}f", *values)
    whole = [round(v * (1 << (bits - 1))) for v in values]
    if bits == 8:
        return bytes(v + 128 for v in whole)
    return b"".join(v.to_bytes(bits // 8, "little", signed=True) for v in whole)


def riff(*chunks):
    body = b"WAVE" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def data(body, size=None):
    return chunk(b"data", body, size)


pcm16 = sound(VALUES, 16)
stereo = [v for left in VALUES for v in (left, -left / 2)]
cycle = [0.5, 0.5, 0.5, 0.5, -0.5, -0.5, -0.5, -0.5]

FILES = {
    "int8.wav": riff(fmt(1, 1, 8), data(sound(VALUES, 8))),
    "int16.wav": riff(fmt(1, 1, 16), data(pcm16)),
    "int24.wav": riff(fmt(1, 1, 24), data(sound(VALUES, 24))),
    "int32.wav": riff(fmt(1, 1, 32), data(sound(VALUES, 32))),
    "float32.wav": riff(fmt(3, 1, 32), data(sound(VALUES, 32, True))),
    "fmt-18.wav": riff(fmt(1, 1, 32, tail=b"\0\0"), data(sound(VALUES, 32))),
    "float-fact.wav": riff(
        fmt(3, 1, 32, tail=b"\0\0"), chunk(b"fact", struct.pack("<II", 5, 0)), data(sound(VALUES, 32, True))
    ),
    "extensible-24.wav": riff(extensible(24, PCM_GUID), data(sound(VALUES, 24))),
    "extensible-float.wav": riff(extensible(32, FLOAT_GUID), data(sound(VALUES, 32, True))),
    "odd-chunks.wav": riff(
        chunk(b"LIST", b"odd"), fmt(1, 1, 16), chunk(b"note", b"x"), data(pcm16), chunk(b"tail", b"after")
    ),
    "two-channels.wav": riff(fmt(1, 2, 16), data(sound(stereo, 16))),
    "rate-8000.wav": riff(fmt(1, 1, 16, rate=8000), data(sound(cycle * 50, 16))),
    "too-loud.wav": riff(fmt(3, 1, 32), data(sound([0.0, 1.5, -2.0], 32, True))),
    "bad-empty.wav": b"",
    "bad-text.wav": b"This is a text, not a sound.\n",
    "bad-riff-only.wav": b"RIFF",
    "bad-no-data.wav": riff(fmt(1, 1, 16)),
    "bad-no-fmt.wav": riff(data(pcm16)),
    "bad-no-samples.wav": riff(fmt(1, 1, 16), data(b"")),
    "bad-cut-off.wav": riff(fmt(1, 1, 16), data(pcm16, size=1000)),
    "bad-from-a-pipe.wav": riff(fmt(1, 1, 16), data(pcm16, size=0xFFFFFFFF)),
    "bad-half-frame.wav": riff(fmt(1, 2, 16), data(pcm16)),
    "bad-mu-law.wav": riff(fmt(7, 1, 8), data(b"\xff\x80\x00")),
    "bad-float64.wav": riff(fmt(3, 1, 64), data(struct.pack("<2d", 0.0, 0.5))),
    "bad-int12.wav": riff(fmt(1, 1, 16)[:-2] + struct.pack("<H", 12), data(pcm16)),
    "bad-no-channels.wav": riff(fmt(1, 0, 16), data(pcm16)),
    "bad-rate-0.wav": riff(fmt(1, 1, 16, rate=0), data(pcm16)),
    "bad-rate-500000.wav": riff(fmt(1, 1, 16, rate=500000), data(pcm16)),
    "bad-short-fmt.wav": riff(chunk(b"fmt ", b"\1\0\1\0"), data(pcm16)),
    "bad-not-a-number.wav": riff(fmt(3, 1, 32), data(sound([0.0, float("nan"), float("inf")], 32, True))),
    "bad-huge-chunk.wav": riff(fmt(1, 1, 16), b"LIST" + struct.pack("<I", 0xFFFFFFF0) + b"abcd"),
}

for name, content in FILES.items():
    with open(os.path.join(HERE, name), "wb") as file:
        file.write(content)
