#!/usr/bin/env python3
"""Render multi-mic drum sessions with known strokes: many kits, drummers, rooms and amounts of bleed.

  sessions.py ONESHOTS OUT --count N [--seed S] [--hold-out | --all] [--absent DRUM] [--toms] [--snare brush|cross-stick|mixed]
                            [--solo] [--rare] [--blend] [--spread] [--vary DB] [--grooves FOLDER] [--seconds 45]

ONESHOTS comes from oneshots.py. OUT/NAME/ holds nine 24-bit WAV files, one a mic, `truth.csv`
(drum, time_s, peak_dbfs, kind) and `about.txt`. Everything follows from the random seed.

Some kits can be held out: sessions are made either from the others (the default) or, with --hold-out, from
those alone, so that nothing a model learnt from can be heard in what judges it. The model in use has heard them all
(`reference_data/judge/README.md`); to judge a new one, train it without them first. Kits that may share drums or sounds
(one maker's versions, general sound sets derived from each other) are on the same side.

time_s is where the close mic of the drum first reaches 5 % of the peak of that stroke's first 30 ms,
measured on the stroke alone; peak_dbfs is the stroke's own close-mic peak. Kinds: hit, ghost, flam
(within 45 ms before a stronger stroke), roll (strokes closer than 90 ms).

With --grooves the drummers are not invented: FOLDER holds performances as MIDI files (General MIDI drum notes), such as those
of the Groove MIDI Dataset (Gillick et al. 2019, CC-BY 4.0), which is not part of this project.
"""
import argparse, csv, glob, os, re
import mido, numpy as np, soundfile as sf
from scipy.signal import lfilter, fftconvolve

HELD_OUT = re.compile(r"Audiophob|Millo|Red_|(R3|General).*_Jazz$")
RATE = 48000
SOUND = 343.2
MICS = ("kick_in", "snare_top", "snare_bottom", "hat", "tom_high", "tom_floor", "overhead_l", "overhead_r", "room")
DRUMS = ("kick", "snare", "rim", "hat_closed", "hat_open", "tom_high", "tom_floor", "ride", "crash")
CLOSE = {"kick": "kick_in", "snare": "snare_top", "rim": "snare_top", "hat_closed": "hat", "hat_open": "hat",
         "tom_high": "tom_high", "tom_floor": "tom_floor", "ride": "overhead_r", "crash": "overhead_l"}
# Typical distances in metres and levels in dB re the drum's own close mic; each session varies them. Common practice.
FAR = {"kick": (0.1, 0.8, 0.6, 1.1, 0.7, 0.7, 1.5, 1.5, 4.0), "snare": (0.8, 0.05, 0.15, 0.4, 0.4, 0.8, 1.0, 1.2, 3.8),
       "hat": (1.1, 0.35, 0.5, 0.1, 0.6, 1.3, 0.8, 1.5, 3.9), "tom_high": (0.6, 0.4, 0.6, 0.6, 0.08, 0.7, 0.9, 1.0, 3.8),
       "tom_floor": (0.6, 0.8, 0.8, 1.2, 0.7, 0.08, 1.3, 0.9, 3.8), "ride": (1.1, 0.9, 1.1, 1.3, 0.6, 0.5, 1.4, 0.6, 3.8),
       "crash": (1.2, 0.8, 1.0, 0.6, 0.6, 1.2, 0.5, 1.4, 3.8)}
SOFT = {"kick": (0, -25, -21, -34, -24, -22, -22, -22, -18), "snare": (-26, 0, -4, -17, -20, -26, -12, -14, -14),
        "hat": (-43, -19, -33, 0, -26, -38, -10, -18, -20), "tom_high": (-29, -18, -20, -24, 0, -20, -12, -14, -16),
        "tom_floor": (-27, -24, -22, -30, -20, 0, -16, -12, -16), "ride": (-47, -33, -42, -30, -26, -22, -14, -4, -18),
        "crash": (-45, -28, -38, -20, -22, -30, -2, -10, -14)}


def family(drum):
    return {"rim": "snare", "hat_closed": "hat", "hat_open": "hat"}.get(drum, drum)


def tilt(x, db, corner):
    """shelf: highs above the corner raised by db"""
    if abs(db) < 0.05:
        return x
    a = np.exp(-2 * np.pi * corner / RATE)
    low = lfilter([1 - a], [1, -a], x)
    return (low + (x - low) * 10 ** (db / 20)).astype(np.float32)


def pitch(x, factor):
    """plays faster by a factor, linear interpolation"""
    n = int(len(x) / factor)
    return np.interp(np.arange(n) * factor, np.arange(len(x)), x).astype(np.float32)


def split(x, corner):
    """(lows, highs) that add up to the sound, 12 dB an octave"""
    a = np.exp(-2 * np.pi * corner / RATE)
    low = lfilter([1 - a], [1, -a], lfilter([1 - a], [1, -a], x)).astype(np.float32)
    return low, x - low


def peaking(x, hz, db, q):
    """one bell of an equaliser (second order, Bristow-Johnson's cookbook, from memory)"""
    w, g = 2 * np.pi * hz / RATE, 10 ** (db / 40)
    c, a = np.cos(w), np.sin(w) / (2 * q)
    return lfilter([1 + a * g, -2 * c, 1 - a * g], [1 + a / g, -2 * c, 1 - a / g], x).astype(np.float32)


def blend(one, other, rng):
    """drums that nobody recorded: the lows of one and the highs of another, struck together, and three bells over both"""
    corner, turn = 10 ** rng.uniform(np.log10(150), np.log10(4000)), rng.choice([1, -1])
    low, high = rng.uniform(0.4, 1), rng.uniform(0.4, 1)
    bells = [(10 ** rng.uniform(np.log10(60), np.log10(9000)), rng.normal(0, 4), rng.uniform(0.5, 3)) for _ in range(3)]
    def begin(x):
        a = np.abs(x[: int(0.03 * RATE)])
        return x[max(0, int(np.argmax(a >= 0.05 * a.max())) - 96):]
    shots = []
    for i, x in enumerate(one):
        y = other[round(i * (len(other) - 1) / max(len(one) - 1, 1))]
        x, y = low * split(begin(x), corner)[0], turn * high * split(begin(y), corner)[1]
        n = max(len(x), len(y))
        z = np.pad(x, (0, n - len(x))) + np.pad(y, (0, n - len(y)))
        for bell in bells:
            z = peaking(z, *bell)
        shots.append(z / (np.abs(z).max() + 1e-9))
    return shots


class Kit:
    def __init__(self, root, kits, rng, brushes=False, blended=False, spread=None, vary=(0, None)):
        self.rng, self.shots, self.about, self.spread, self.scattered, self.vary = rng, {}, [], spread, {}, vary
        for drum in DRUMS:
            folders = sorted(f for k in kits for f in glob.glob(f"{root}/{k}/{drum}") + glob.glob(f"{root}/{k}/{drum}-*"))
            if brushes and drum == "snare":
                folders = [f for f in sorted(glob.glob(f"{root}/*/snare") + glob.glob(f"{root}/*/snare-*")) if "Brush" in f]
            # sets with several strengths are chosen four times as often as single sounds
            weight = np.array([4.0 if len(os.listdir(f)) > 2 else 1.0 for f in folders])
            self.shots[drum] = self.recorded(root, drum, folders, weight)
            if blended and rng.random() < 0.75:
                self.shots[drum] = blend(self.shots[drum], self.recorded(root, drum, folders, weight), rng)
        self.metres = {d: np.array(FAR[d]) * rng.uniform(0.75, 1.3, len(MICS)) for d in FAR}
        bleed = rng.uniform(-12, 14)
        self.level = {d: np.array(SOFT[d], float) + rng.uniform(-4, 4, len(MICS)) + bleed for d in FAR}
        self.dull = {m: rng.uniform(1500, 5000) if m == "kick_in" else rng.uniform(6000, 16000) for m in MICS}
        self.sign = {m: rng.choice([1, -1]) for m in MICS}
        if rng.random() < 0.8:
            self.sign["snare_bottom"] = -self.sign["snare_top"]
        self.wires = rng.uniform(0, 0.6)
        self.dry = 1.0 if rng.random() < 0.6 else rng.uniform(0.3, 0.9)
        n = int(rng.uniform(0.15, 0.7) * RATE)
        tail = rng.standard_normal((2, n)) * np.exp(-np.arange(n) / (n / 6))
        tail[:, : int(0.004 * RATE)] = 0
        self.tail = (tail / np.sqrt((tail ** 2).sum(1, keepdims=True))).astype(np.float32)
        self.has_room = rng.random() < 0.7

    def recorded(self, root, drum, folders, weight):
        """one drum's recordings, softest first, tuned, damped and coloured for this kit"""
        rng = self.rng
        f = folders[rng.choice(len(folders), p=weight / weight.sum())]
        self.about.append(f"{drum} {os.path.relpath(f, root)}")
        tune, damp, bright = rng.uniform(0.85, 1.18), rng.uniform(0, 1), rng.uniform(-4, 4)
        shots = []
        for path in sorted(glob.glob(f"{f}/*.flac")):
            x = sf.read(path, dtype="float32")[0]
            a = np.abs(x[: int(0.03 * RATE)])
            lead = int(np.argmax(a >= 0.02 * a.max()))
            x = x[max(0, lead - 240):]
            x = tilt(pitch(x, tune), bright, 1500)
            if damp > 0.6:
                t = np.arange(len(x)) / RATE
                x = x * np.exp(-t / (0.08 + 0.6 * (1 - damp))).astype(np.float32)
            x = x * np.minimum(1, np.arange(len(x))[::-1] / 480).astype(np.float32)
            shots.append(x / (np.abs(x).max() + 1e-9))
        return shots

    def stroke(self, drum, strength):
        """(close-mic sound, peak 0..1): a layer near the strength, a little different every time"""
        rng, shots = self.rng, self.shots[drum]
        want = strength * (len(shots) - 1) + rng.normal(0, 0.4)
        i = int(np.clip(round(want), 0, len(shots) - 1))
        x = pitch(shots[i], rng.uniform(0.992, 1.008))
        # single sounds played softly are duller; every stroke differs in brightness
        x = tilt(x, rng.normal(0, 0.8) - (1 - strength) * (9 if len(shots) < 3 else 2), rng.uniform(800, 3000))
        return self.varied(drum, x / (np.abs(x).max() + 1e-9))

    def varied(self, drum, x):
        """a kick or snare never struck in the same place twice: four bells of an equaliser, other ones for every stroke"""
        db, rng = self.vary
        if not db or drum not in ("kick", "snare", "rim"):
            return x
        for low, high in ((90, 300), (300, 1000), (1000, 3000), (3000, 9000)):
            x = peaking(x, np.exp(rng.uniform(np.log(low), np.log(high))), rng.normal(0, db), rng.uniform(0.7, 2.5))
        return (x / (np.abs(x).max() + 1e-9)).astype(np.float32)

    def in_mic(self, drum, x, mic):
        """the stroke as a mic hears it: in another than its own as much softer as ever, however strong it is"""
        k, fam, peak = MICS.index(mic), family(drum), np.abs(x).max()
        own = CLOSE[drum] == mic
        delay = int(round((self.metres[fam][k] - self.metres[fam][MICS.index(CLOSE[drum])]) / SOUND * RATE))
        if not own:
            if mic == "snare_bottom" and fam == "snare":
                noise = self.rng.standard_normal(len(x)).astype(np.float32)
                env = lfilter([0.002], [1, -0.998], np.abs(x)).astype(np.float32)
                x = (1 - self.wires) * tilt(x, 6, 2000) + self.wires * 3 * noise * env
            a = np.exp(-2 * np.pi * self.dull[mic] / RATE)
            x = lfilter([1 - a], [1, -a], x).astype(np.float32)
            if self.spread:
                x = self.scatter(fam, mic, x)
            x = x / (np.abs(x).max() + 1e-9) * peak * 10 ** (self.level[fam][k] / 20)
        return delay, self.sign[mic] * x

    def scatter(self, fam, mic, x):
        """a drum is no point: what another mic hears above some 400 Hz is in part another sound than its own mic's, one half of
        it the same at every stroke, the other half not"""
        rng = self.spread
        if (fam, mic) not in self.scattered:
            self.scattered[fam, mic] = rng.uniform(250, 700), rng.uniform(0.3, 0.9), burst(rng)
        corner, share, fixed = self.scattered[fam, mic]
        low, high = split(x, corner)
        other = fftconvolve(high, fixed + burst(rng))[: len(x)] / np.sqrt(2)
        return (low + np.sqrt(1 - share) * high + np.sqrt(share) * other).astype(np.float32)


def burst(rng):
    """6 ms of noise that dies away, of energy 1"""
    n = int(0.006 * RATE)
    x = rng.standard_normal(n) * np.exp(-np.arange(n) / (n / 4))
    return x / np.sqrt((x ** 2).sum())


# ---- drummers ---------------------------------------------------------------------------------------------------

def drummer(rng, seconds, toms=False, mixed=False):
    """[(time, drum, strength)], tempo: an invented drummer with habits, playing an invented song"""
    style = rng.choice(["straight8", "sixteen", "shuffle", "jazz", "funk", "half", "latin", "metal", "ballad", "train"])
    lo, hi = {"metal": (140, 200), "jazz": (90, 200), "ballad": (60, 90), "half": (70, 150), "funk": (80, 120)}.get(style, (70, 160))
    bpm = rng.uniform(lo, hi)
    beat, ev = 60 / bpm, []
    swing = {"shuffle": rng.uniform(0.6, 0.68), "jazz": rng.uniform(0.58, 0.68)}.get(style, 0.5 + max(0, rng.normal(0, 0.015)))
    sloppy, ghosts = rng.uniform(0.003, 0.014), rng.uniform(0, 0.6) if style != "metal" else 0.05
    lag = {d: rng.normal(0, 0.006) for d in DRUMS}
    loud = {d: rng.uniform(0.6, 0.95) for d in DRUMS}
    use_rim, flams, rolls = rng.random() < 0.2 or mixed, rng.uniform(0, 0.12), rng.uniform(0, 0.10)
    time = 2 * beat + rng.uniform(0, 1)
    def put(t, d, v):
        ev.append((t + lag[d] + rng.normal(0, sloppy), d, float(np.clip(v * rng.normal(1, 0.09), 0.04, 1.0))))
    def snare(t, v):
        d = "rim" if rim_bar else "snare"
        r = rng.random()
        if d == "snare" and r < flams:
            put(t - rng.uniform(0.018, 0.040), d, v * rng.uniform(0.2, 0.55))
        elif d == "snare" and r < flams + rolls:
            n, gap = rng.integers(2, 5), rng.uniform(0.045, 0.085)
            for k in range(n):
                put(t - (n - k) * gap, d, v * rng.uniform(0.25, 0.6))
        put(t, d, v)
    bar = 0
    kick16 = sorted(set([0]) | set(rng.choice(16, rng.integers(1, 6), replace=False).tolist()))
    ghost16 = rng.choice([1, 3, 5, 6, 7, 9, 10, 11, 13, 14, 15], rng.integers(2, 7), replace=False)
    riding = "tom_floor" if toms else "hat_closed"
    while time < seconds - 1.5:
        if bar % 8 == 0 and bar:
            riding = rng.choice(["tom_floor", "tom_high", "hat_closed"] if toms else ["hat_closed", "ride", "hat_open", "hat_closed"])
            kick16 = sorted(set([0]) | set(rng.choice(16, rng.integers(1, 6), replace=False).tolist()))
        rim_bar = use_rim and (bar // 8) % 2 == 0
        step = beat / 4
        def at(i):
            pair, odd = divmod(i, 4)
            s = {0: 0, 1: swing, 2: 1, 3: 1 + swing}[odd] if style in ("sixteen", "funk", "train") else None
            if s is not None:
                return time + (pair * 4 + s * 2) * step
            # swing on the eighths
            q, r = divmod(i, 4)
            return time + q * beat + {0: 0, 1: swing / 2, 2: swing, 3: swing + (1 - swing) / 2}[r] * beat
        fill = bar % 4 == 3 and rng.random() < 0.5
        if bar % 8 == 0 and rng.random() < 0.7:
            put(time, "crash", loud["crash"])
        every = {"straight8": 2, "half": 2, "ballad": 2, "sixteen": 1, "funk": 1, "latin": 2, "train": 4, "metal": 2}.get(style, 2)
        for i in range(16):
            if fill and i >= 8:
                break
            t = at(i)
            if style == "jazz":
                if i in (0, 4, 6, 8, 12, 14): put(t, "ride", loud["ride"] * (0.9 if i in (4, 12) else 0.7))
                if i in (4, 12): put(t, "hat_closed", 0.5)
                if i % 4 == 0 and rng.random() < 0.7: put(t, "kick", rng.uniform(0.12, 0.3))
                elif rng.random() < 0.1: put(t, "kick", rng.uniform(0.4, 0.9))
                if rng.random() < 0.22: snare(t, rng.choice([rng.uniform(0.1, 0.35), rng.uniform(0.4, 0.9)]))
                continue
            if i % every == 0:
                v = loud[riding] * (1.0 if i % 4 == 0 else 0.65)
                put(t, riding if rng.random() > 0.06 else "hat_open", v)
            if style == "metal" and (bar // 4) % 2:
                put(t, "kick", loud["kick"] * rng.uniform(0.8, 1))
            elif i in kick16 and rng.random() < 0.9:
                put(t, "kick", loud["kick"] * (1 if i in (0, 8) else rng.uniform(0.45, 0.95)))
            elif rng.random() < 0.02:
                put(t, "kick", rng.uniform(0.3, 0.7))
            back = {"half": (8,), "train": tuple(range(16)), "latin": (6, 12)}.get(style, (4, 12))
            if i in back:
                soft = style == "train" and i % 4
                snare(t, loud["snare"] * (rng.uniform(0.2, 0.4) if soft else 1))
            elif i in ghost16 and rng.random() < ghosts:
                put(t, "snare", rng.uniform(0.10, 0.34))
        if fill:
            drums = rng.choice(["snare", "tom_high", "tom_floor", "kick"], 8, p=[0.45, 0.25, 0.2, 0.1])
            for i in range(8, 16):
                if rng.random() < 0.85:
                    (snare if drums[i - 8] == "snare" else lambda t, v: put(t, drums[i - 8], v))(at(i), rng.uniform(0.4, 1.0))
        elif rng.random() < 0.08:
            put(at(14), rng.choice(["tom_high", "tom_floor"]), rng.uniform(0.4, 0.9))
        time += 4 * beat; bar += 1
        beat *= 1 + rng.normal(0, 0.002)
    return apart([e for e in ev if 0.05 < e[0] < seconds - 1]), bpm, style


# General MIDI's drum notes (GM level 1) and, where electronic kits send them, the hi-hat's edge (22, 26) and the ride's (59).
NOTES = {35: "kick", 36: "kick", 37: "rim", 38: "snare", 40: "snare", 22: "hat_closed", 42: "hat_closed", 44: "hat_closed", 26: "hat_open",
         46: "hat_open", 45: "tom_high", 47: "tom_high", 48: "tom_high", 50: "tom_high", 41: "tom_floor", 43: "tom_floor", 58: "tom_floor",
         49: "crash", 52: "crash", 55: "crash", 57: "crash", 51: "ride", 53: "ride", 59: "ride"}


def performed(rng, seconds, folder):
    """as `drummer`: a stretch of a performance by a person, with the timing and strength it was played with, up to a sixth faster or slower"""
    path = rng.choice(sorted(glob.glob(f"{folder}/*.mid")))
    time, ev, bpm = 0.0, [], 120.0
    for message in mido.MidiFile(path):
        time += message.time
        if message.type == "set_tempo":
            bpm = 60e6 / message.tempo
        if message.type == "note_on" and message.velocity and message.note in NOTES:
            ev.append((time, NOTES[message.note], message.velocity / 127))
    faster = rng.uniform(0.85, 1.17)
    start = rng.uniform(0, max(0, ev[-1][0] - seconds * faster))
    ev = [((t - start) / faster + 0.5, d, v) for t, d, v in ev if t >= start]
    return apart([e for e in ev if e[0] < seconds - 1]), bpm * faster, f"played {os.path.basename(path)}"


def apart(ev):
    """strokes of one drum no closer than 17 ms: nearer ones are one stroke told twice"""
    kept, last = [], {}
    for t, d, v in sorted(ev):
        key = "snare" if d == "rim" else d
        if t - last.get(key, -1) >= 0.017:
            kept.append((t, d, v)); last[key] = t
    return kept


def alone(rng, seconds):
    """as `drummer`: the snare with nothing beside it, two takes in three stroke by stroke with rests between"""
    if rng.random() < 0.33:
        ev, bpm, style = drummer(rng, seconds)
        return [e for e in ev if e[1] in ("snare", "rim")], bpm, style
    n, gap = rng.integers(8, 17), rng.uniform(0.35, 1.0)
    strengths = np.linspace(rng.uniform(0.05, 0.3), 1, n)
    if rng.random() < 0.7:
        strengths = rng.permutation(strengths)
    ev = [(0.3 + i * gap + rng.normal(0, 0.01), "snare", float(v)) for i, v in enumerate(strengths) if 0.3 + i * gap < seconds - 1.2]
    return ev, 100.0, "solo"


def rare(ev, seed):
    """of the kick (odd seeds) or the snare (even) no more than one to six strokes, spread over the take"""
    drums = (("snare", "rim"), ("kick",))[seed % 2]
    own = [i for i, e in enumerate(ev) if e[1] in drums and e[2] > 0.3]
    kept = {own[int(k)] for k in np.linspace(0, len(own) - 1, 1 + seed // 2 % 6)} if own else set()
    return [e for i, e in enumerate(ev) if e[1] not in drums or i in kept]


def kinds(ev):
    strokes = [(t, "snare" if d == "rim" else d, v) for t, d, v in ev if d in ("kick", "snare", "rim")]
    out = {}
    for t, d, v in strokes:
        near = [(u - t, w) for u, e, w in strokes if e == d and u != t and abs(u - t) < 0.09]
        if any(0 < g < 0.045 and w > v for g, w in near): out[t, d] = "flam"
        elif near: out[t, d] = "roll"
        elif v < 0.36 and d == "snare": out[t, d] = "ghost"
        else: out[t, d] = "hit"
    return out


def render(root, kits, out, seed, seconds, absent=None, toms=False, snare=None, solo=False, few=False, blended=False, spread=False, vary=0, grooves=None):
    rng = np.random.default_rng(seed)
    # from numbers of its own: with and without, a session is the same otherwise
    kit = Kit(root, kits, rng, snare == "brush", blended, np.random.default_rng([seed, 1]) if spread else None,
              (vary, np.random.default_rng([seed, 7])))
    if grooves:
        ev, bpm, style = performed(rng, seconds, grooves)
    else:
        ev, bpm, style = alone(rng, seconds) if solo else drummer(rng, seconds, toms, snare == "mixed")
    if snare == "cross-stick":
        ev = [(t, "rim" if d == "snare" else d, v) for t, d, v in ev]
    if absent:
        ev = [e for e in ev if not e[1] in ({"snare", "rim"} if absent == "snare" else {absent})]
    if few:
        ev = rare(ev, seed)
    n = int(seconds * RATE)
    tracks = {m: np.zeros(n + 8 * RATE, np.float32) for m in MICS}
    wet = np.zeros((2, n + 8 * RATE), np.float32)
    # loud strokes of every drum are about alike in their close mics; hats and cymbals are softer at the kit itself
    own = {"kick": (-18, -3), "snare": (-12, -3), "hat": (-18, -6), "ride": (-14, -4), "crash": (-9, -1)}
    gain = {d: 10 ** (rng.uniform(*own.get(d, (-8, -3))) / 20) for d in FAR}
    # dB a decade of strength: a ghost lies 10 to 30 dB under an accent
    law = rng.uniform(18, 32)
    kind, truth = kinds(ev), []
    for t, d, v in ev:
        x = kit.stroke(d, v) * gain[family(d)] * 10 ** (law * np.log10(max(v, 0.02)) / 20)
        a = np.abs(x[: int(0.03 * RATE)])
        on = int(np.argmax(a >= 0.05 * a.max()))
        pos = int(round(t * RATE)) - on
        if pos < 0:
            continue
        for m in MICS:
            delay, s = kit.in_mic(d, x, m)
            p = max(pos + delay, 0)
            tracks[m][p:p + len(s)] += s[: n + 8 * RATE - p]
        wet[:, pos:pos + len(x)] += x * 10 ** (kit.level[family(d)][8] / 20)
        if d in ("kick", "snare", "rim"):
            name = "snare" if d == "rim" else d
            truth.append((name, (pos + on) / RATE, 20 * np.log10(np.abs(x).max() + 1e-12), kind[t, name]))
    for c, m in ((0, "room"), (1, "room"), (0, "overhead_l"), (1, "overhead_r")):
        send = (1 - kit.dry) * (1.5 if m == "room" else 0.35)
        tracks[m] += send * fftconvolve(wet[c], kit.tail[c])[: len(tracks[m])].astype(np.float32)
    peak = {m: np.abs(t[:n]).max() for m, t in tracks.items()}
    noise = rng.uniform(-92, -66)
    os.makedirs(out, exist_ok=True)
    # mics whose own drum carries the truth keep their level (peaks are truth); all are held under full scale
    scale = min(1.0, 0.97 / max(peak["kick_in"], peak["snare_top"]))
    for m in MICS:
        g = scale if m in ("kick_in", "snare_top") else 10 ** (rng.uniform(-14, -2) / 20) / (peak[m] + 1e-9)
        y = g * tracks[m][:n] + (10 ** (noise / 20) * rng.standard_normal(n)).astype(np.float32)
        sf.write(f"{out}/{m}.wav", np.clip(y, -1, 1 - 2 ** -23), RATE, subtype="PCM_24")
    with open(f"{out}/truth.csv", "w", newline="") as f:
        w = csv.writer(f); w.writerow(["drum", "time_s", "peak_dbfs", "kind"])
        w.writerows([d, f"{t:.6f}", f"{p + 20 * np.log10(scale):.2f}", k] for d, t, p, k in sorted(truth, key=lambda r: r[1]))
    with open(f"{out}/about.txt", "w") as f:
        f.write("\n".join([f"seed {seed}", f"style {style}", f"bpm {bpm:.2f}", f"noise {noise:.1f}", *kit.about]) + "\n")


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("oneshots"); ap.add_argument("out"); ap.add_argument("--count", type=int, default=16)
    ap.add_argument("--seed", type=int, default=1); ap.add_argument("--hold-out", action="store_true")
    ap.add_argument("--all", action="store_true"); ap.add_argument("--absent", choices=["kick", "snare"], help="this drum is never struck")
    ap.add_argument("--toms", action="store_true", help="the toms are played as others play the hi-hat")
    ap.add_argument("--snare", choices=["brush", "cross-stick", "mixed"], help="played all through with brushes, or on its rim; or on its rim every other eight bars")
    ap.add_argument("--solo", action="store_true", help="the snare with nothing beside it")
    ap.add_argument("--rare", action="store_true", help="kick (odd seeds) or snare (even) is struck one to six times")
    ap.add_argument("--blend", action="store_true", help="most drums are two recordings in one, lows of one and highs of the other")
    ap.add_argument("--spread", action="store_true", help="drums are no points: bleed is in part another sound than the close mic's")
    ap.add_argument("--vary", type=float, default=0, metavar="DB", help="no two strokes of kick and snare sound alike: bells of so many dB (standard deviation)")
    ap.add_argument("--grooves", metavar="FOLDER", help="performances by people, as MIDI files, in place of invented ones")
    ap.add_argument("--seconds", type=float, default=45)
    a = ap.parse_args()
    kits = sorted(os.path.basename(k) for k in glob.glob(f"{a.oneshots}/*"))
    if not a.all:
        kits = [k for k in kits if bool(HELD_OUT.search(k)) == a.hold_out]
    for n in range(a.count):
        render(a.oneshots, kits, f"{a.out}/{'held' if a.hold_out else 'kit'}_{a.seed + n:04d}", a.seed + n, a.seconds, a.absent, a.toms, a.snare, a.solo, a.rare, a.blend, a.spread, a.vary, a.grooves)


if __name__ == "__main__":
    main()
