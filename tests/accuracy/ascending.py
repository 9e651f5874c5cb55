#!/usr/bin/env python3
"""Strokes of ascending strength, recorded by somebody else, must come out with ascending velocity.

  ascending.py UNDERLAY WORK_DIR

Takes the kit BJA_Pacific (CC-BY-SA 3.0, eight layers of kick and of two snares, softest first) from Debian's data
package hydrogen-drumkits (apt-get download, dpkg-deb -x into WORK_DIR; nothing is installed or run), lays each drum's
strokes 0.9 s apart in one file, in ascending and in two shuffled orders (seed 1 and 2) and runs `underlay hits` on it.
Checked: of two strokes the one with the higher peak never gets the lower velocity, and gets a higher one where the
peaks lie 1 dB or more apart, so the layers ascend where their peaks do; nothing is found where there is no stroke; no
file loses more than one of its eight strokes. Each lost stroke is named. How well strokes are found is measured in
docs/accuracy.md, not here. Where apt or the package is out of reach the check is skipped, loudly (exit code 0).

Needs: numpy soundfile.
"""
import csv, glob, os, shutil, subprocess, sys
import numpy as np, soundfile as sf

PACKAGE, KIT = "hydrogen-drumkits", "BJA_Pacific"
# file prefix -> drum, its name here
SETS = (("BD", "kick", "bass drum"), ("SN", "snare", "snare"), ("SN4", "snare", "dry snare"))
APART_S = 0.9
# Wide on purpose: the softest kick of the set starts with 7 ms of felt noise under 5 % of its peak.
WITHIN_S = 0.012
MOST_LOST = 1


def skip(why):
    print("*" * 78 + f"\n*** SKIPPED: the registry kit could not be had ({why}).\n"
          "*** That strokes of ascending strength get ascending velocity was NOT checked here.\n" + "*" * 78)
    sys.exit(0)


def kit(work):
    folder = f"{work}/x/usr/share/hydrogen/data/drumkits/{KIT}"
    if os.path.isdir(folder):
        return folder
    if not (shutil.which("apt-get") and shutil.which("dpkg-deb")):
        skip("no apt on this machine")
    os.makedirs(work, exist_ok=True)
    if not glob.glob(f"{work}/{PACKAGE}_*.deb"):
        got = subprocess.run(["apt-get", "download", "-q", PACKAGE], cwd=work, capture_output=True, text=True)
        if got.returncode != 0:
            skip((got.stderr.strip().splitlines() or ["apt-get download failed"])[-1])
    package = glob.glob(f"{work}/{PACKAGE}_*.deb")[0]
    if subprocess.run(["dpkg-deb", "-x", package, f"{work}/x"]).returncode != 0:
        # A half-loaded package would fail for ever.
        os.remove(package)
        skip("the package is damaged")
    os.remove(package)
    return folder


def mono(path):
    x, rate = sf.read(path, dtype="float64", always_2d=True)
    return x.mean(1), rate


def attack(x):
    """first sample at 5 % of the peak"""
    return int(np.argmax(np.abs(x) >= 0.05 * np.abs(x).max()))


def lay(shots, rate, order, path):
    """writes the strokes in this order; returns (time of attack, peak dBFS, layer) of each"""
    step = int(APART_S * rate)
    track = np.random.default_rng(5).normal(0, 10 ** (-96 / 20), step * (len(order) + 1))
    truth = []
    for k, layer in enumerate(order):
        # A tail that reaches the next stroke is faded before it.
        x = shots[layer][: int(0.8 * rate)].copy()
        fade = min(len(x), rate // 20)
        x[-fade:] *= np.linspace(1, 0, fade)
        at = (k + 1) * step - step // 2
        track[at: at + len(x)] += x
        truth.append(((at + attack(x)) / rate, 20 * np.log10(np.abs(x).max()), layer))
    sf.write(path, np.clip(track, -1, 1), rate, subtype="PCM_24")
    return truth


def judge(truth, hits):
    """what is wrong, and which strokes were lost, as sentences"""
    wrong, lost, found = [], [], []
    for t, peak, layer in truth:
        near = [h for h in hits if abs(h[0] - t) <= WITHIN_S]
        if len(near) == 1:
            found.append((peak, near[0][1], layer))
        elif near:
            wrong.append(f"layer {layer + 1} at {t:.3f} s was found {len(near)} times")
        else:
            lost.append(f"lost: layer {layer + 1} at {t:.3f} s ({peak:.1f} dBFS)")
    elsewhere = [h[0] for h in hits if all(abs(h[0] - t) > WITHIN_S for t, _, _ in truth)]
    wrong += [f"a stroke was found at {t:.3f} s, where none is" for t in elsewhere]
    if len(lost) > MOST_LOST:
        wrong.append(f"{len(lost)} strokes of {len(truth)} were lost")
    found.sort()
    for i, (soft, low, a) in enumerate(found):
        for loud, high, b in found[i + 1:]:
            if high < low or (high == low and loud - soft >= 1.0):
                pair = f"layer {a + 1} ({soft:.2f} dBFS) has velocity {low}, layer {b + 1} ({loud:.2f} dBFS)"
                wrong.append(f"{pair} has {high}")
    return wrong, lost


def main():
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    underlay, work = sys.argv[1], sys.argv[2]
    folder = kit(work)
    failed = False
    for prefix, drum, name in SETS:
        files = sorted(glob.glob(f"{folder}/{prefix}_[0-9]*.aiff"))
        shots, rates = zip(*map(mono, files))
        layers = len(shots)
        orders = {"ascending": list(range(layers))}
        orders |= {f"shuffled {s}": list(np.random.default_rng(s).permutation(layers)) for s in (1, 2)}
        for word, order in orders.items():
            out = f"{work}/run/{prefix}_{word.replace(' ', '_')}"
            shutil.rmtree(out, ignore_errors=True)
            os.makedirs(out)
            truth = lay(shots, rates[0], order, f"{out}/{drum}.wav")
            ran = subprocess.run([underlay, "hits", f"{out}/{drum}.wav", "--drum", drum, "--out", out, "--quiet"])
            if ran.returncode not in (0, 1):
                print(f"{name}, {word}: underlay ended with {ran.returncode}")
                failed = True
                continue
            with open(f"{out}/hits.csv", encoding="utf-8") as file:
                hits = [(float(r["time_s"]), int(r["velocity"])) for r in csv.DictReader(file)]
            wrong, lost = judge(truth, hits)
            failed |= bool(wrong)
            by_layer = sorted((layer, f"{peak:.1f}", next((v for t, v in hits if abs(t - at) <= WITHIN_S), None))
                              for at, peak, layer in truth)
            print(f"{name}, {word}: {'WRONG' if wrong else 'ok'}  " + "  ".join(f"{p} dB:{v}" for _, p, v in by_layer))
            for w in wrong + lost:
                print("   ", w)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
