//! What a layer was printed with: every setting that its sound depends on, in the words of the sheet.
//!
//! In: a song and a layer's plan. Out: [`PrintedWith`], one line of text that stands in the layer's map, and what differs
//! between two of them. The strokes themselves are rows of the map.

use super::synth::BUILT_IN;
use crate::audio::{Channel, resampled_frames};
use crate::song::{LayerPlan, Polarity, Song, one_shots};
use crate::units::SampleRate;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

/// Where the level of sections is told.
const SECTIONS: &str = "sections";
/// Where the share of the way to the grid is told, per cent.
const PULL: &str = "pull";
/// Where the mic is told that the layer was aligned with.
const MIC: &str = "aligned with";
/// Where the length is told, samples.
const LENGTH: &str = "length";
/// What stands behind it.
const SAMPLES: &str = " samples";

/// The settings of a layer, by name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PrintedWith(Vec<(String, String)>);

impl PrintedWith {
    /// The settings that a plan stands for now. One-shots are read for a checksum; where they cannot be, it is left out.
    #[must_use]
    pub fn of(song: &Song, plan: &LayerPlan) -> Self {
        let mut all = Self(Vec::new());
        let built_in = || BUILT_IN.iter().find(|b| b.drum == plan.drum).map_or("", |b| b.name);
        if plan.samples.is_empty() {
            all.put("samples", format!("set {}", plan.built_in.as_deref().unwrap_or_else(built_in)));
        } else {
            let base = song.sheet.parent().unwrap_or(Path::new(""));
            let shown = |p: &PathBuf| p.strip_prefix(base).unwrap_or(p).display().to_string().replace('\\', "/");
            all.put("samples", plan.samples.iter().map(shown).collect::<Vec<_>>().join(", "));
            if let Some((files, sum)) = sum(&plan.samples) {
                all.put("one-shots", format!("{files} with checksum {sum:08x}"));
            }
        }
        all.put("level", format!("{} dB", plan.level.0));
        all.put("dynamics", format!("{} %", plan.dynamics));
        all.put("curve", song.finder.curve.word().into());
        all.put("seed", plan.seed.to_string());
        all.put("tails", if plan.choke { "cut at the next stroke" } else { "ring on" }.into());
        let mut sections: Vec<String> = plan
            .sections
            .iter()
            .map(|(name, level)| format!("{name} {}", level.map_or_else(|| "off".into(), |l| format!("{:+} dB", l.0))))
            .collect();
        sections.sort();
        all.put(SECTIONS, if sections.is_empty() { "all alike".into() } else { sections.join(", ") });
        all.put(PULL, format!("{} %", plan.pull));
        all.put(MIC, mic(song, plan));
        all.put(LENGTH, format!("{}{SAMPLES}", song.frames()));
        all
    }

    fn put(&mut self, name: &str, value: String) {
        // Names of files and sections may hold anything.
        self.0.push((name.into(), value.replace(['=', ';', '\r', '\n'], "_")));
    }

    /// From [`to_text`](Self::to_text); `None` where there is nothing of the kind.
    #[must_use]
    pub fn read(text: &str) -> Option<Self> {
        let all: Vec<(String, String)> = text
            .split(';')
            .filter_map(|part| part.split_once('='))
            .map(|(name, value)| (name.trim().into(), value.trim().into()))
            .collect();
        (!all.is_empty()).then_some(Self(all))
    }

    /// The same of the layer at another rate: its length in samples there.
    #[must_use]
    pub fn at_rate(mut self, from: SampleRate, to: SampleRate) -> Self {
        for (_, value) in self.0.iter_mut().filter(|(name, _)| name == LENGTH) {
            if let Some(Ok(frames)) = value.strip_suffix(SAMPLES).map(str::parse) {
                *value = format!("{}{SAMPLES}", resampled_frames(frames, from, to));
            }
        }
        self
    }

    /// One line: `samples = set snare-dry; level = -3 dB; ...`
    #[must_use]
    pub fn to_text(&self) -> String {
        self.0.iter().map(|(name, value)| format!("{name} = {}", value.trim())).collect::<Vec<_>>().join("; ")
    }

    fn of_name(&self, name: &str) -> Option<&str> {
        self.0.iter().find(|(n, _)| n == name).map(|(_, v)| v.trim())
    }

    /// Share of the way to the grid, per cent; `None` where it is not told.
    #[must_use]
    pub fn pull(&self) -> Option<f64> {
        number(self.of_name(PULL)?)
    }

    /// What is set otherwise now, as `level -3 dB, now 0 dB`, one each. Only what both tell is compared. A song that has
    /// become shorter is no difference, as its layer is cut with it.
    #[must_use]
    pub fn differences(&self, now: &Self) -> Vec<String> {
        let told = |(name, value): &(String, String)| {
            let (then, now) = (value.trim(), now.of_name(name)?);
            let shorter = name == LENGTH && number(now) <= number(then);
            (then != now && !shorter).then(|| format!("{name} {then}, now {now}"))
        };
        self.0.iter().filter_map(told).collect()
    }

    /// How the mic that it was aligned with is another now; `None` where it is the same.
    #[must_use]
    pub fn other_mic(&self, now: &Self) -> Option<String> {
        self.differences(now).into_iter().find(|d| d.starts_with(MIC))
    }
}

/// The number before a unit.
fn number(value: &str) -> Option<f64> {
    value.split(' ').next()?.parse().ok()
}

/// The mic that the layer is aligned with: its file, the side of it, and whether it is heard with its sign flipped.
fn mic(song: &Song, plan: &LayerPlan) -> String {
    let Some(mic) = song.main_mic(plan.drum) else { return "no mic".into() };
    let file = mic.info.path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    let side = match mic.channel {
        Channel::Sum => "",
        Channel::Left => " (left side)",
        Channel::Right => " (right side)",
    };
    let sign = if mic.polarity == Polarity::Invert { ", sign flipped" } else { "" };
    format!("{file}{side}{sign}")
}

/// How many one-shots there are, and a CRC-32 of their names and contents; `None` where one cannot be read.
fn sum(samples: &[PathBuf]) -> Option<(usize, u32)> {
    let mut crc = crc32fast::Hasher::new();
    let mut count = 0;
    let mut block = vec![0u8; 1 << 16];
    for path in samples
        .iter()
        .map(|p| one_shots(p).ok().filter(|f| !f.is_empty()))
        .collect::<Option<Vec<_>>>()?
        .into_iter()
        .flatten()
    {
        crc.update(path.file_name()?.to_string_lossy().as_bytes());
        let mut file = File::open(&path).ok()?;
        loop {
            match file.read(&mut block).ok()? {
                0 => break,
                n => crc.update(block.get(..n)?),
            }
        }
        count += 1;
    }
    Some((count, crc.finalize()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::song::Drum;
    use crate::units::Decibels;

    fn plan() -> LayerPlan {
        LayerPlan {
            name: "fat".into(),
            drum: Drum::Snare,
            samples: Vec::new(),
            built_in: Some("snare-dry".into()),
            level: Decibels(-3.0),
            dynamics: 80.0,
            seed: 1,
            choke: false,
            sections: vec![("verse".into(), None), ("chorus; loud".into(), Some(Decibels(2.0)))],
            pull: 12.5,
            pan: 0.0,
        }
    }

    #[test]
    fn settings_read_back_as_they_were_written() {
        let with = PrintedWith::of(&Song::default(), &plan());
        let text = with.to_text();
        assert_eq!(
            text,
            "samples = set snare-dry; level = -3 dB; dynamics = 80 %; curve = take; seed = 1; tails = ring on; sections = chorus_ loud +2 dB, \
             verse off; pull = 12.5 %; aligned with = no mic; length = 0 samples"
        );
        let back = PrintedWith::read(&text).unwrap();
        assert!(back.differences(&with).is_empty() && with.differences(&back).is_empty());
        assert_eq!(back.pull(), Some(12.5));
        assert_eq!(PrintedWith::read(""), None);
    }

    #[test]
    fn every_setting_that_is_heard_is_told_when_it_changes() {
        let song = Song::default();
        let with = PrintedWith::of(&song, &plan());
        let changes: [(LayerPlan, &str); 7] = [
            (LayerPlan { level: Decibels(0.0), ..plan() }, "level -3 dB, now 0 dB"),
            (LayerPlan { built_in: None, ..plan() }, "samples set snare-dry, now set snare-full"),
            (LayerPlan { dynamics: 100.0, ..plan() }, "dynamics 80 %, now 100 %"),
            (LayerPlan { seed: 2, ..plan() }, "seed 1, now 2"),
            (LayerPlan { choke: true, ..plan() }, "tails ring on, now cut at the next stroke"),
            (LayerPlan { sections: Vec::new(), ..plan() }, "sections chorus_ loud +2 dB, verse off, now all alike"),
            (LayerPlan { pull: 0.0, ..plan() }, "pull 12.5 %, now 0 %"),
        ];
        for (now, told) in changes {
            assert_eq!(with.differences(&PrintedWith::of(&song, &now)), [told]);
        }
        // A pan is the mix's, and a name is a name.
        let other = LayerPlan { pan: 1.0, name: "thin".into(), ..plan() };
        assert!(with.differences(&PrintedWith::of(&song, &other)).is_empty());
    }

    #[test]
    fn another_one_shot_of_the_same_name_is_another_setting() {
        let dir = tempfile::tempdir().unwrap();
        let shots = dir.path().join("shots");
        std::fs::create_dir(&shots).unwrap();
        std::fs::write(shots.join("a.wav"), "one").unwrap();
        let song = Song { sheet: dir.path().join("song.toml"), ..Song::default() };
        let plan = LayerPlan { samples: vec![shots.clone()], built_in: None, ..plan() };
        let with = PrintedWith::of(&song, &plan);
        assert!(with.to_text().starts_with("samples = shots; one-shots = 1 with checksum "), "{}", with.to_text());
        assert!(with.differences(&PrintedWith::of(&song, &plan)).is_empty());
        std::fs::write(shots.join("a.wav"), "two").unwrap();
        let told = with.differences(&PrintedWith::of(&song, &plan));
        assert!(told.len() == 1 && told[0].starts_with("one-shots 1 with checksum"), "{told:?}");
        // A drive that is not there tells nothing against the print.
        std::fs::remove_dir_all(&shots).unwrap();
        assert!(with.differences(&PrintedWith::of(&song, &plan)).is_empty());
    }
}
