"""Values that an outside library computes are kept beside the script that makes them; this keeps or compares them."""
import json
import pathlib
import sys


def keep_or_check(script, fresh, difference):
    """Writes `fresh` beside `script` as JSON, or with `--check` compares its "cases" with those kept.

    `difference(fresh, kept)` says what differs between two cases, or None. Returns the exit code.
    """
    path = pathlib.Path(script).with_suffix(".json")
    if "--check" not in sys.argv[1:]:
        path.write_text(json.dumps(fresh, separators=(",", ":")) + "\n", encoding="utf-8")
        return 0
    kept = json.loads(path.read_text(encoding="utf-8"))
    for a, b in zip(fresh["cases"], kept["cases"], strict=True):
        what = difference(a, b)
        if what is not None:
            print(f"{path.stem} differs: {what}")
            return 1
    print(f"{path.stem}: {len(kept['cases'])} cases agree")
    return 0
