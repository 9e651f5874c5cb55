#!/usr/bin/env python3
"""How time and memory grow with the length of a take and with its mics: a table and docs/pictures/growth.svg.

  growth.py UNDERLAY

Takes are written under target/growth/ by long_take.py from the demo and removed again (up to 0.9 GB at a time). Times are
processor seconds of `underlay hits`, pictures included, the least of two runs; memory is the most that was resident.
"""
import os, resource, shutil, subprocess, sys

HERE = os.path.dirname(os.path.abspath(__file__))
PLACE = os.path.join(HERE, "..", "target", "growth")
LENGTHS, MICS_OF_LENGTHS = (60, 120, 240, 480, 960), 9
MICS, LENGTH_OF_MICS = (1, 2, 4, 9, 18, 28), 240


def measured(binary, seconds, mics):
    take = f"{PLACE}/take"
    subprocess.run([sys.executable, f"{HERE}/long_take.py", f"{PLACE}/demo", take, "--seconds", str(seconds), "--mics", str(mics),
                    "--bits", "16"], check=True)
    best, most = float("inf"), 0
    for _ in range(2):
        child = os.fork()
        if child == 0:
            subprocess.run([binary, "hits", f"{take}/song.toml", "--quiet"], check=False)
            use = resource.getrusage(resource.RUSAGE_CHILDREN)
            with open(f"{PLACE}/use", "w", encoding="utf-8") as f:
                f.write(f"{use.ru_utime + use.ru_stime} {use.ru_maxrss}")
            os._exit(0)
        os.waitpid(child, 0)
        with open(f"{PLACE}/use", encoding="utf-8") as f:
            cpu, memory = f.read().split()
        best, most = min(best, float(cpu)), max(most, int(memory) / 1024)
    shutil.rmtree(take)
    return best, most


def curve(x0, title, axis, points):
    """one panel: processor seconds (line, dots) and memory (dashes, squares) over `points` (x, seconds, MiB)"""
    top_x, top_s, top_m = (1.05 * max(p[i] for p in points) for i in range(3))
    at = lambda x, v, top: (x0 + 50 + 270 * x / top_x, 250 - 200 * v / top)
    text = lambda x, y, t, more="": f'<text x="{x:.0f}" y="{y:.0f}" {more}>{t}</text>'
    out = [f'<path d="M{x0 + 50} 50V250H{x0 + 320}" fill="none" stroke="#000"/>', text(x0 + 50, 30, title, 'font-weight="bold"'),
           text(x0 + 185, 285, axis, 'text-anchor="middle"')]
    for k, (top, colour, dash) in enumerate(((top_s, "#0072B2", ""), (top_m, "#D55E00", 'stroke-dasharray="6 4"'))):
        dots = [at(p[0], p[1 + k], top) for p in points]
        line = " ".join(f"{x:.1f},{y:.1f}" for x, y in dots)
        out.append(f'<polyline points="{line}" fill="none" stroke="{colour}" stroke-width="2" {dash}/>')
        for x, y in dots:
            out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{colour}"/>' if k == 0
                       else f'<rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" fill="{colour}"/>')
        side = (x0 + 45, "end") if k == 0 else (x0 + 325, "start")
        for share in (0.5, 1.0):
            value = share * top / 1.05
            label = f"{value:.2g} s" if k == 0 else f"{value:.0f} MiB"
            out.append(text(side[0], 254 - 200 * share / 1.05, label, f'text-anchor="{side[1]}" fill="{colour}"'))
    for p in points:
        out.append(text(at(p[0], 0, 1)[0], 266, p[0], 'text-anchor="middle" font-size="10"'))
    return out


def main():
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    binary = os.path.abspath(sys.argv[1])
    os.makedirs(PLACE, exist_ok=True)
    if not os.path.exists(f"{PLACE}/demo/song.toml"):
        subprocess.run([binary, "demo", f"{PLACE}/demo", "--quiet"], stdout=subprocess.DEVNULL)
    by_length = [(s, *measured(binary, s, MICS_OF_LENGTHS)) for s in LENGTHS]
    by_mics = [(m, *measured(binary, LENGTH_OF_MICS, m)) for m in MICS]
    print("| mics | seconds | processor s | ms a track-second | most memory, MiB |\n|---|---|---|---|---|")
    rows = [(MICS_OF_LENGTHS, s, c, m) for s, c, m in by_length] + [(n, LENGTH_OF_MICS, c, m) for n, c, m in by_mics]
    for n, s, c, m in rows:
        print(f"| {n} | {s} | {c:.2f} | {1000 * c / n / s:.2f} | {m:.0f} |")
    svg = ['<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 780 300" font-family="sans-serif" font-size="12">',
           '<rect width="780" height="300" fill="#fff"/>', *curve(0, "Nine mics, by length", "seconds of the take", by_length),
           *curve(385, "Four minutes, by mics", "mics", by_mics),
           '<text x="290" y="297" fill="#0072B2">line, dots: processor time</text><text x="450" y="297" fill="#D55E00">dashes, squares: memory</text></svg>']
    with open(os.path.join(HERE, "..", "docs", "pictures", "growth.svg"), "w", encoding="utf-8") as f:
        f.write("\n".join(svg) + "\n")


if __name__ == "__main__":
    main()
