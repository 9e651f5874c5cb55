#!/usr/bin/env python3
"""The repeatable gate on speed: how many instructions finding takes, counted by valgrind's callgrind, not timed.

  instructions.py UNDERLAY [--renew]

UNDERLAY is a release build. Twelve seconds of the demo's nine mics (rendered and cut under target/instructions/) go through
`underlay hits` on one thread, pictures included. The count must not exceed the one kept in instructions.json by more
than a tenth. After a change that is meant to cost or save more, --renew writes the new count; say why in the commit.
Skipped, loudly, where valgrind is missing or the processor lacks AVX2 and FMA, with which the count was made.
"""
import json, os, re, shutil, subprocess, sys

HERE = os.path.dirname(os.path.abspath(__file__))
KEPT = os.path.join(HERE, "instructions.json")
PLACE = os.path.join(HERE, "..", "target", "instructions")
SECONDS, MICS, ROOM = 12, 9, 0.10


def skip(why):
    print("*" * 78 + f"\n*** SKIPPED: instructions were not counted ({why}).\n"
          "*** Whether finding has become slower was NOT checked here.\n" + "*" * 78)
    sys.exit(0)


def quick_processor():
    try:
        with open("/proc/cpuinfo", encoding="utf-8") as f:
            flags = f.read().split()
        return "avx2" in flags and "fma" in flags
    except OSError:
        return False


def count(binary):
    demo, take = f"{PLACE}/demo", f"{PLACE}/take"
    os.makedirs(PLACE, exist_ok=True)
    if not os.path.exists(f"{demo}/song.toml"):
        subprocess.run([binary, "demo", demo, "--quiet"], stdout=subprocess.DEVNULL)
    subprocess.run([sys.executable, f"{HERE}/long_take.py", demo, take, "--seconds", str(SECONDS), "--mics", str(MICS)], check=True)
    shutil.rmtree(f"{take}/underlay", ignore_errors=True)
    run = ["valgrind", "--tool=callgrind", f"--callgrind-out-file={PLACE}/callgrind.out", binary, "hits", f"{take}/song.toml", "--quiet"]
    done = subprocess.run(run, capture_output=True, text=True, env=os.environ | {"RAYON_NUM_THREADS": "1"})
    found = re.search(r"Collected : (\d+)", done.stderr)
    if not found or done.returncode > 1:
        sys.exit(f"no count (exit code {done.returncode}):\n{done.stderr[-2000:]}")
    return int(found[1])


def main():
    args = [a for a in sys.argv[1:] if a != "--renew"]
    if len(args) != 1:
        sys.exit(__doc__)
    if not shutil.which("valgrind"):
        skip("valgrind is not installed")
    if not quick_processor():
        skip("this processor has no AVX2 and FMA")
    now = count(os.path.abspath(args[0]))
    if "--renew" in sys.argv:
        kept = {"what": f"instructions of `underlay hits` on {SECONDS} s of the demo's {MICS} mics, one thread, callgrind",
                "instructions": now, "per_track_second": round(now / SECONDS / MICS)}
        with open(KEPT, "w", encoding="utf-8") as f:
            f.write(json.dumps(kept, indent=2) + "\n")
        print(f"kept: {now:,} instructions")
        return 0
    with open(KEPT, encoding="utf-8") as f:
        was = json.load(f)["instructions"]
    change = now / was - 1
    print(f"{now:,} instructions, {change:+.1%} against the {was:,} kept; {ROOM:.0%} more are allowed")
    if change > ROOM:
        print(f"finding has become slower; look at callgrind_annotate {os.path.relpath(PLACE)}/callgrind.out")
        return 1
    if change < -ROOM:
        print("finding has become quicker: keep the new count with --renew")
    return 0


if __name__ == "__main__":
    sys.exit(main())
