//! Sessions of any size on the disk, and commands with their time and highest memory: for the benchmarks that run the
//! built command.

#![allow(clippy::unwrap_used, reason = "a benchmark that cannot go on has failed")]

use rayon::prelude::*;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use underlay::audio::{SampleFormat, WavExtras, WavSpec, WavWriter};
use underlay::units::SampleRate;

/// A session to be made: 120 BPM, a kick on 1 and 3, a snare on 2 and 4, every mic hearing both.
#[derive(Clone, Copy)]
pub struct Load {
    pub mics: usize,
    pub seconds: usize,
    pub rate: u32,
    pub format: SampleFormat,
    /// Channels of the third mic; all others are mono.
    pub overhead_channels: u16,
    /// Mics with a recording of their own; those behind are hard links of the last, so that many long ones fit the disk.
    pub distinct: usize,
    /// Whether the sheet has a layer under the snare.
    pub layer: bool,
}

impl Load {
    pub fn new(mics: usize, seconds: usize) -> Self {
        Self {
            mics,
            seconds,
            rate: 48_000,
            format: SampleFormat::Int24,
            overhead_channels: 1,
            distinct: mics,
            layer: true,
        }
    }

    /// Writes the session into a folder, once; gives its sheet.
    pub fn make(self, folder: &Path) -> PathBuf {
        let sheet = folder.join("song.toml");
        let mut text = String::from("[song]\ntitle = \"Low Tide\"\n\n[tempo]\nbpm = 120\n");
        for i in 0..self.mics {
            let role = match i {
                0 => "drum = \"kick\"\nplace = \"in\"",
                1 => "drum = \"snare\"\nplace = \"top\"",
                2 => "drum = \"overhead\"\nplace = \"mono\"",
                3 => "drum = \"hat\"",
                4..=6 => "drum = \"tom\"",
                _ => "drum = \"percussion\"",
            };
            let name = format!("mic{:03}", i + 1);
            text += &format!("\n[[mic]]\nname = \"{name}\"\nfile = \"{name}.wav\"\n{role}\npolarity = \"keep\"\n");
        }
        if self.layer {
            text += "\n[[layer]]\nname = \"snare_layer\"\ndrum = \"snare\"\nlevel = -6\n";
        }
        if fs::read_to_string(&sheet).is_ok_and(|old| old == text) {
            return sheet;
        }
        fs::create_dir_all(folder).unwrap();
        let path = |i: usize| folder.join(format!("mic{:03}.wav", i + 1));
        (0..self.distinct).into_par_iter().for_each(|i| self.record(&path(i), i));
        for i in self.distinct..self.mics {
            let _ = fs::remove_file(path(i));
            fs::hard_link(path(self.distinct - 1), path(i)).unwrap();
        }
        fs::write(&sheet, text).unwrap();
        sheet
    }

    /// One mic: strokes over a noise floor at about -60 dBFS, as a quiet room and a preamp give.
    fn record(self, path: &Path, mic: usize) {
        let rate = self.rate as usize;
        let channels = if mic == 2 { self.overhead_channels } else { 1 };
        let spec = WavSpec { rate: SampleRate::new(self.rate).unwrap(), channels, format: self.format };
        let frames = self.seconds * rate;
        let mut w =
            WavWriter::create_with(path, spec, WavExtras { frames: Some(frames as u64), ..WavExtras::default() })
                .unwrap();
        let stroke = |hz: f32, fall: f32, t: f32| (-t * fall).exp() * (std::f32::consts::TAU * hz * t).sin();
        let (kick, snare) = match mic {
            0 => (0.6, 0.03),
            1 => (0.05, 0.5),
            _ => (0.1, 0.1),
        };
        // A bar of two seconds; far mics hear it later.
        let late = mic as f32 * 0.0004;
        let bar: Vec<f32> = (0..2 * rate)
            .map(|i| {
                let t = i as f32 / rate as f32 - late;
                let (k, s) = (t.rem_euclid(1.0), (t - 0.5).rem_euclid(1.0));
                kick * stroke(58.0, 16.0, k) + snare * (stroke(190.0, 22.0, s) + 0.4 * stroke(2_900.0, 40.0, s))
            })
            .collect();
        let mut state = (mic as u32 + 1).wrapping_mul(747_796_405).wrapping_add(1);
        let mut block = vec![0f32; bar.len() * usize::from(channels)];
        let mut left = frames;
        while left > 0 {
            for (y, x) in block.chunks_exact_mut(usize::from(channels)).zip(&bar) {
                for y in y {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    *y = x + 0.001 * ((state >> 8) as f32 / 8_388_608.0 - 1.0);
                }
            }
            let n = left.min(bar.len());
            w.write(&block[..n * usize::from(channels)]).unwrap();
            left -= n;
        }
        w.finish().unwrap();
    }
}

/// The built command.
pub fn underlay(typed: &[&str]) -> Command {
    let mut c = Command::new(env!("CARGO_BIN_EXE_underlay"));
    c.args(typed).arg("--quiet");
    c
}

/// Runs a command, prints its time and, where the system tells, its highest memory.
pub fn timed(what: &str, command: &mut Command) -> Duration {
    timed_to(what, command, 1)
}

/// As [`timed`], where the command may end with codes up to `most`.
pub fn timed_to(what: &str, command: &mut Command, most_code: i32) -> Duration {
    let start = Instant::now();
    let mut child = command.stdout(Stdio::null()).spawn().unwrap();
    let mut most = 0;
    let status = loop {
        most = most.max(high_water(child.id()));
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    let took = start.elapsed();
    assert!(status.code().is_some_and(|c| c <= most_code), "{what}: {status}");
    println!("{what:<28} {:8.2} s  {:7.1} MiB", took.as_secs_f64(), most as f64 / 1024.0);
    took
}

/// VmHWM of a process, KiB; 0 where it cannot be read.
fn high_water(pid: u32) -> u64 {
    let text = fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
    let line = text.lines().find(|l| l.starts_with("VmHWM:"));
    line.and_then(|l| l.split_whitespace().nth(1)?.parse().ok()).unwrap_or(0)
}

/// Bytes of the files of a folder; reading them brings them into the page cache.
pub fn warm(folder: &Path) -> u64 {
    let files = fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).filter(|p| p.is_file());
    files.map(|p| std::io::copy(&mut fs::File::open(p).unwrap(), &mut std::io::sink()).unwrap()).sum()
}
