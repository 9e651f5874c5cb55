//! The invented take as a whole.

use super::band::{guide, shaker};
use super::groove::{Layout, layout, perform};
use super::spec::DemoSpec;
use super::stage::{DemoMic, SPEED_OF_SOUND, Source, metres};
use super::stroke::{Stroke, Voice, kinds};
use super::take::{Kitchen, attacks, frame_of};
use super::tempo_file::tempo_file;
use crate::audio::{SampleFormat, WavSpec, WavWriter};
use crate::error::Result;
use crate::hits::Kind;
use crate::output::{make_folder, write_whole};
use crate::progress::Progress;
use crate::song::{Drum, may_write};
use crate::units::{Dbfs, SamplePos, SampleRate, Seconds};
use rayon::prelude::*;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// One stroke as it truly is in its close mic.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TrueStroke {
    /// Kick or snare.
    pub drum: Drum,
    /// Where its close mic first reaches 5 % of the peak of the stroke's first 30 ms, measured on the stroke alone.
    pub pos: SamplePos,
    /// The same in seconds.
    pub time: Seconds,
    /// The stroke's own peak in its close mic, without bleed.
    pub peak: Dbfs,
    /// Kind, by the rule of [`kinds`].
    pub kind: Kind,
}

/// A take in memory.
#[derive(Clone, Debug)]
pub struct DemoTake {
    /// Rate.
    pub rate: SampleRate,
    /// Each mic with its samples, 1.0 = full scale, all of one length; already held at full scale.
    pub mics: Vec<(DemoMic, Vec<f32>)>,
    /// Strokes of kick and snare, in order of time.
    pub truth: Vec<TrueStroke>,
}

/// An invented song, played.
#[derive(Clone, Debug)]
pub struct DemoSong {
    spec: DemoSpec,
    layout: Layout,
    strokes: Vec<Stroke>,
}

/// Silence after the last bar, for cymbals to ring, seconds.
const TAIL: f64 = 2.6;

impl DemoSong {
    /// Title of the song that `underlay demo` renders.
    pub const TITLE: &'static str = "The Lighthouse Bicycle";
    /// What it is about.
    pub const STORY: &'static str = "On the first night without fog the keeper's bicycle rolls down to the village by itself, \
        rings every bell on the way, and is back against its wall before the lamp goes out.";

    /// The demo song.
    #[must_use]
    pub fn story() -> Self {
        Self::new(DemoSpec::story())
    }

    /// The song of a spec.
    #[must_use]
    pub fn new(spec: DemoSpec) -> Self {
        let layout = layout(&spec);
        let strokes = perform(&spec, &layout);
        Self { spec, layout, strokes }
    }

    /// Other strokes on the same kit, mics and clock: for tests that want one stroke alone. They are sorted by time.
    #[must_use]
    pub fn with_strokes(mut self, mut strokes: Vec<Stroke>) -> Self {
        strokes.sort_by(|a, b| a.time.0.total_cmp(&b.time.0).then(a.voice.cmp(&b.voice)));
        self.strokes = strokes;
        self
    }

    /// What the take is like.
    #[must_use]
    pub fn spec(&self) -> &DemoSpec {
        &self.spec
    }

    /// Every blow of the performance, in order of time.
    #[must_use]
    pub fn performance(&self) -> &[Stroke] {
        &self.strokes
    }

    /// Length of every file in frames.
    #[must_use]
    pub fn frames(&self) -> u64 {
        let last = self.strokes.last().map_or(0.0, |s| s.time.0);
        self.spec.rate.samples(Seconds(self.layout.end.max(last) + TAIL))
    }

    /// Start of every bar (the count-in is bar 1) and at last the end of the song.
    #[must_use]
    pub fn bar_starts(&self) -> Vec<Seconds> {
        self.layout.clock.iter().map(|b| Seconds(b.start)).chain([Seconds(self.layout.end)]).collect()
    }

    /// Sections as (first bar, name), bar 1 being the count-in.
    #[must_use]
    pub fn sections(&self) -> Vec<(u32, String)> {
        self.layout.names.iter().map(|(n, name)| (*n as u32 + 1, name.clone())).collect()
    }

    /// The close mic that a drum's truth is measured in: the first of the take that stands at it.
    #[must_use]
    pub fn close_mic(&self, drum: Drum) -> Option<DemoMic> {
        self.spec.mics.iter().copied().find(|m| m.role().0 == drum)
    }

    /// Time that a drum's sound takes to a mic: distance through 343.2 m/s.
    #[must_use]
    pub fn arrival(&self, voice: Voice, mic: DemoMic) -> Seconds {
        Seconds(metres(&self.spec, source_of(voice), mic) / SPEED_OF_SOUND)
    }

    /// The tempo map as a Standard MIDI File, format 1: its tick 0 is the first sample of every file, bar 1 the count-in.
    #[must_use]
    pub fn tempo_file(&self) -> Vec<u8> {
        tempo_file(Self::TITLE, &self.layout)
    }

    /// The strokes of kick and snare as they truly are; levels as recorded.
    #[must_use]
    pub fn truth(&self) -> Vec<TrueStroke> {
        let bare = Kitchen::new(&self.spec, &[], 0);
        self.truth_with(|mic| bare.gain(mic))
    }

    fn truth_with(&self, gain: impl Fn(DemoMic) -> f64) -> Vec<TrueStroke> {
        let mut out = Vec::new();
        for drum in Drum::FOUND {
            let Some(mic) = self.close_mic(drum) else { continue };
            let of: Vec<(usize, Stroke)> =
                self.strokes.iter().copied().enumerate().filter(|(_, s)| s.voice.found() == Some(drum)).collect();
            let plain: Vec<Stroke> = of.iter().map(|(_, s)| *s).collect();
            let g = gain(mic);
            for (((_, stroke), kind), attack) in of.iter().zip(kinds(&plain)).zip(attacks(&self.spec, &of, mic)) {
                let pos = SamplePos((frame_of(&self.spec, stroke) + attack.first) as u64);
                let peak = Dbfs::from_peak(attack.peak * g);
                out.push(TrueStroke { drum, pos, time: pos.at(self.spec.rate), peak, kind });
            }
        }
        out.sort_by(|a, b| a.pos.cmp(&b.pos).then(a.drum.cmp(&b.drum)));
        out
    }

    /// The whole take in memory (4 bytes a sample and mic).
    #[must_use]
    pub fn take(&self) -> DemoTake {
        let kitchen = Kitchen::new(&self.spec, &self.strokes, self.frames() as usize);
        let mics = self.spec.mics.par_iter().map(|&m| (m, held(kitchen.mic(m)))).collect();
        DemoTake { rate: self.spec.rate, mics, truth: self.truth_with(|m| kitchen.gain(m)) }
    }

    /// Writes the take into a folder: one mono 24-bit WAV a mic, `tempo.mid` and `truth.csv`.
    ///
    /// # Errors
    /// [`OutputFault`](crate::output::OutputFault) when the folder or a file cannot be written.
    pub fn render(&self, dir: &Path, progress: &dyn Progress) -> Result<()> {
        make_folder(dir)?;
        progress.begin("playing the song", self.spec.mics.len() as u64 + 1);
        let done = self.render_mics(dir, progress);
        progress.end();
        done
    }

    /// Writes the whole session of the demo into a folder: the take as [`render`](Self::render) does, the client's
    /// two-mix `guide.wav`, the programmed `shaker.wav`, and the sheet `song.toml`. Files of these names
    /// that are not a demo rendered earlier are never replaced.
    ///
    /// # Errors
    /// [`OutputFault`](crate::output::OutputFault) when the folder or a file cannot be written, or would replace another.
    pub fn render_session(&self, dir: &Path, progress: &dyn Progress) -> Result<()> {
        let sheet = dir.join("song.toml");
        let text = self.sheet();
        let mics = self.spec.mics.iter().map(|m| format!("{}.wav", m.name()));
        let others = ["guide.wav", "shaker.wav", "tempo.mid", "truth.csv"].map(String::from);
        let files: Vec<PathBuf> = mics.chain(others).map(|name| dir.join(name)).collect();
        // The demo may be rendered again over itself, but over nothing else.
        let again = std::fs::read(&sheet).is_ok_and(|there| there == text.as_bytes());
        if !again {
            files.iter().chain([&sheet]).try_for_each(|file| may_write(file))?;
        }
        // The sheet comes first: it tells a next run, should this one be killed, that the recordings beside it are the demo's.
        make_folder(dir)?;
        let done = write_whole(&sheet, text.as_bytes()).and_then(|()| self.render_files(dir, progress));
        if done.is_err() && !again {
            // None of these was there before, so half a session goes again. What cannot be removed was never made.
            files.iter().chain([&sheet]).for_each(|file| drop(std::fs::remove_file(file)));
        }
        done
    }

    fn render_files(&self, dir: &Path, progress: &dyn Progress) -> Result<()> {
        self.render(dir, progress)?;
        let frames = self.frames() as usize;
        progress.begin("playing the client's tracks", 2);
        let guide = || self.track(dir, "guide.wav", 2, &guide(&self.layout, self.spec.rate, frames));
        let shaker = || self.track(dir, "shaker.wav", 1, &shaker(&self.layout, self.spec.rate, frames));
        let done = rayon::join(guide, shaker);
        progress.advance(2);
        progress.end();
        done.0.and(done.1)
    }

    fn track(&self, dir: &Path, name: &str, channels: u16, samples: &[f32]) -> Result<()> {
        let spec = WavSpec { rate: self.spec.rate, channels, format: SampleFormat::Int24 };
        let mut wav = WavWriter::create(&dir.join(name), spec)?;
        for block in samples.chunks(1 << 16) {
            wav.write(block)?;
        }
        wav.finish()
    }

    fn render_mics(&self, dir: &Path, progress: &dyn Progress) -> Result<()> {
        let kitchen = Kitchen::new(&self.spec, &self.strokes, self.frames() as usize);
        progress.advance(1);
        let spec = WavSpec { rate: self.spec.rate, channels: 1, format: SampleFormat::Int24 };
        self.spec.mics.par_iter().try_for_each(|&mic| {
            let mut wav = WavWriter::create(&dir.join(format!("{}.wav", mic.name())), spec)?;
            for block in held(kitchen.mic(mic)).chunks(1 << 16) {
                wav.write(block)?;
            }
            progress.advance(1);
            wav.finish()
        })?;
        write_whole(&dir.join("tempo.mid"), &self.tempo_file())?;
        write_whole(&dir.join("truth.csv"), truth_csv(&self.truth_with(|m| kitchen.gain(m))).as_bytes())
    }
}

/// The true strokes as CSV: `drum,time_s,peak_dbfs,kind`.
#[must_use]
pub fn truth_csv(truth: &[TrueStroke]) -> String {
    let mut text = String::from("drum,time_s,peak_dbfs,kind\n");
    for s in truth {
        text.push_str(&format!("{},{:.6},{:.2},{}\n", s.drum, s.time.0, s.peak.0, s.kind));
    }
    text
}

/// A recorder's full scale.
fn held(mut y: Vec<f32>) -> Vec<f32> {
    y.iter_mut().for_each(|x| *x = x.clamp(-1.0, 1.0));
    y
}

fn source_of(voice: Voice) -> Source {
    match voice {
        Voice::Kick => Source::KickHead,
        Voice::Snare => Source::SnareHead,
        Voice::HatClosed | Voice::HatOpen | Voice::HatPedal => Source::Hat,
        Voice::TomHigh => Source::TomHigh,
        Voice::TomFloor => Source::TomFloor,
        Voice::Ride => Source::Ride,
        Voice::Crash => Source::Crash,
        Voice::Sticks => Source::Sticks,
    }
}
