//! Renders takes that nobody recorded: other kits, drummers, mics and rooms of the demo's making, with known strokes.
//!
//! `cargo run --release --example invented -- OUT COUNT SEED BARS` writes `OUT/invented_SEED/` with nine WAV files and
//! `truth.csv`, in the layout of `sessions.py`, for COUNT seeds from SEED. Half of the soft drummers play with brushes;
//! `about.txt` says who does.

use std::fs;
use std::path::Path;
use underlay::Quiet;
use underlay::demo::{DemoSong, DemoSpec};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [out, count, seed, bars] = &arguments[..] else { return Err("invented OUT COUNT SEED BARS".into()) };
    let (count, first, bars): (u64, u64, usize) = (count.parse()?, seed.parse()?, bars.parse()?);
    for seed in first..first + count {
        let spec = DemoSpec::varied(seed, bars);
        let dir = Path::new(out).join(format!("invented_{seed:05}"));
        let about =
            format!("seed {seed}\nstyle {:?}\nbpm {:.1}\nbrushes {}\n", spec.style, spec.bpm, spec.drummer.brushes);
        DemoSong::new(spec).render(&dir, &Quiet)?;
        fs::write(dir.join("about.txt"), about)?;
        eprint!("\r{} of {count}", seed - first + 1);
    }
    eprintln!();
    Ok(())
}
