#!/usr/bin/env python3
"""Writes a long take of many mics by playing a short one over and over, and a song sheet for it.

  long_take.py FROM OUT --seconds S [--mics N] [--bits 16|24]

FROM holds the nine 24-bit mono mics that `underlay demo` renders. From the tenth on a mic plays one of the nine again,
later by a few samples, so that no two are alike. Written in a stream; beyond 4 GB as
RF64 (EBU Tech 3306). Nothing but Python is needed. A 24-bit mic of eight hours at 48 kHz is 4.1 GB.
"""
import argparse, os, struct

# Name, file it plays, drum and place. Beyond these: more cymbal and room mics, which play the overheads and the room.
MICS = [("kick_in", "kick_in", "kick", "in"), ("snare_top", "snare_top", "snare", "top"),
        ("snare_bottom", "snare_bottom", "snare", "bottom"), ("hat", "hat", "hat", "close"),
        ("tom_high", "tom_high", "tom", "close"), ("tom_floor", "tom_floor", "tom", "close"),
        ("overhead_l", "overhead_l", "overhead", "left"), ("overhead_r", "overhead_r", "overhead", "right"),
        ("room", "room", "room", "mono"), ("kick_out", "kick_in", "kick", "out"), ("kick_sub", "kick_in", "kick", "sub"),
        ("snare_side", "snare_top", "snare", "side"), ("hat_side", "hat", "hat", "side"),
        ("overhead_mono", "overhead_l", "overhead", "mono"), ("tom_high_bottom", "tom_high", "tom", "bottom"),
        ("tom_floor_bottom", "tom_floor", "tom", "bottom"), ("ride", "overhead_r", "ride", "close")]


def mic(n):
    if n < len(MICS):
        return MICS[n]
    more = n - len(MICS)
    name, source, drum = [("crash", "overhead_l", "cymbal"), ("far", "room", "room")][more % 2]
    return f"{name}_{more // 2 + 1}", source, drum, "close"


def samples(path, bits):
    """rate and bytes of the data chunk, at the depth wanted"""
    with open(path, "rb") as f:
        riff = f.read()
    at, rate, data = 12, None, None
    while at + 8 <= len(riff):
        name, size = riff[at:at + 4], struct.unpack_from("<I", riff, at + 4)[0]
        if name == b"fmt ":
            channels, rate = struct.unpack_from("<HI", riff, at + 10)
            if channels != 1 or struct.unpack_from("<H", riff, at + 22)[0] != 24:
                raise SystemExit(f"{path}: not 24-bit mono")
        elif name == b"data":
            data = riff[at + 8:at + 8 + size]
        at += 8 + size + size % 2
    if bits == 16:
        short = bytearray(len(data) // 3 * 2)
        short[0::2], short[1::2] = data[1::3], data[2::3]
        data = bytes(short)
    return rate, data


def head(rate, bits, size):
    block = bits // 8
    fmt = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, rate, rate * block, block, bits)
    # A place for the long sizes stands there in any case.
    if size + 72 < 1 << 32:
        return (struct.pack("<4sI4s4sI28x", b"RIFF", size + size % 2 + 72, b"WAVE", b"JUNK", 28) + fmt
                + struct.pack("<4sI", b"data", size))
    ds64 = struct.pack("<4sIQQQI", b"ds64", 28, size + size % 2 + 72, size, size // block, 0)
    return struct.pack("<4sI4s", b"RF64", 0xFFFFFFFF, b"WAVE") + ds64 + fmt + struct.pack("<4sI", b"data", 0xFFFFFFFF)


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("source")
    ap.add_argument("out")
    ap.add_argument("--seconds", type=float, required=True)
    ap.add_argument("--mics", type=int, default=9)
    ap.add_argument("--bits", type=int, choices=(16, 24), default=24)
    a = ap.parse_args()
    os.makedirs(a.out, exist_ok=True)
    sheet = "[tempo]\nbpm = 120\n"
    for n in range(a.mics):
        name, source, drum, place = mic(n)
        rate, data = samples(f"{a.source}/{source}.wav", a.bits)
        block = a.bits // 8
        size = int(a.seconds * rate) * block
        with open(f"{a.out}/{name}.wav", "wb") as f:
            f.write(head(rate, a.bits, size))
            lead = min(17 * max(0, n - 8) * block, size)
            f.write(bytes(lead))
            left = size - lead
            while left > 0:
                f.write(data[:left])
                left -= min(left, len(data))
            f.write(bytes(size % 2))
        sheet += f'\n[[mic]]\nname = "{name}"\nfile = "{name}.wav"\ndrum = "{drum}"\nplace = "{place}"\n'
    with open(f"{a.out}/song.toml", "w", encoding="utf-8") as f:
        f.write(sheet)


if __name__ == "__main__":
    main()
