//! The whole way from a song's mics and hits to a phase report.

use super::advise::{FULLER, advise};
use super::cross::{Cross, Spectra};
use super::frames::Frames;
use super::lag::{Arrival, LagRange, arrival};
use super::misplaced::Told;
use super::report::{Agreement, Band, Pair, PairKind, PhaseReport, PhaseSettings, Recommendation, SIDES};
use super::strokes::sure_strokes;
use super::sum::{SumGain, low_band, sum_gain};
use super::view::{Part, SumView, mean_spectrum, sum_view};
use crate::audio::{Channel, MonoReader};
use crate::error::Result;
use crate::finding::Finding;
use crate::hits::HitList;
use crate::progress::Progress;
use crate::song::{Drum, Mic, Place, Song};
use crate::units::{SampleRate, Seconds};
use rayon::prelude::*;
use realfft::num_complex::Complex;
use std::path::Path;

/// Lags searched for mics away from the drum, ms: an overhead that was pulled early by hand, to a room mic 13 m away.
const FAR: (f64, f64) = (-5.0, 40.0);
/// Lags searched around the first rise for two close mics of one drum, ms.
const CLOSE: f64 = 1.2;
/// A close mic's rise: the averaged power reaches this share of its highest, and stands this far above what was before.
const RISE: (f64, f64) = (0.01, 4.0);
/// Groups of strokes that a stereo pair is measured in.
const GROUPS: usize = 8;
/// Fewer sure strokes than this and the user is told.
pub(super) const FEW: usize = 4;
/// Share of strokes that must agree on an arrival for it to be trusted.
const SURE: f64 = 0.6;

/// What is listened to: a mono mic, or one side of a stereo file.
struct Ear<'a> {
    name: String,
    mic: &'a Mic,
    channel: Channel,
    side: Option<Place>,
}

/// What one ear heard of one drum.
struct Heard {
    pair: Pair,
    spectra: Spectra,
}

/// Checks every mic of a song against the main close mic of each found drum, and stereo pairs against each other.
///
/// In: the song's mics (read only, only around the chosen strokes), its hit list, settings. Out: the report; a drum without a
/// close mic or without hits is left out and said. Cost: per mic and stroke three transforms of about 0.17 s.
///
/// # Errors
/// [`Error::Audio`](crate::Error::Audio) when a mic cannot be read.
pub fn measure(song: &Song, list: &HitList, settings: PhaseSettings, progress: &dyn Progress) -> Result<PhaseReport> {
    let rate = song.rate();
    let frames = Frames::new(rate);
    let ears = ears(song);
    let mut report = PhaseReport {
        rate,
        settings,
        speed_of_sound: settings.air.speed(),
        drums: Vec::new(),
        pairs: Vec::new(),
        advice: Vec::new(),
        sums: Vec::new(),
        findings: Vec::new(),
    };
    let (mut views, mut told) = (Vec::new(), Vec::new());
    for drum in Drum::FOUND {
        let Some(main) = main_mic(&ears, drum) else { continue };
        let strokes = sure_strokes(list, drum, settings.certainty, settings.strokes);
        report.drums.push((drum, main.name.clone(), strokes.len()));
        if strokes.len() < FEW {
            report.findings.push(Finding::song(
                format!(
                    "{}: nothing certain can be said about the {drum}'s phase",
                    match strokes.len() {
                        0 => format!("no sure {drum} stroke"),
                        1 => format!("only one sure {drum} stroke"),
                        n => format!("only {n} sure {drum} strokes"),
                    }
                ),
                "Check a longer stretch of the take, or the hit list.",
            ));
        }
        if strokes.is_empty() {
            continue;
        }
        progress.begin(&format!("phase of the {drum}"), ears.len() as u64);
        let drum_check = DrumCheck { frames: &frames, rate, settings, drum, strokes: &strokes };
        let home = drum_check.home();
        let done = drum_check.run(&ears, main, progress);
        progress.end();
        let Some(done) = done? else {
            report.findings.push(Finding::caution(
                &main.mic.info.path,
                format!("silent at every {drum} stroke"),
                format!("Check that this is the {drum}'s mic."),
            ));
            continue;
        };
        report.pairs.extend(done.pairs);
        views.push((drum, done.parts));
        told.push((drum, main, home, strokes));
    }
    let told: Vec<(Drum, &Ear<'_>, Told<'_>)> = told
        .iter()
        .map(|(drum, main, home, strokes)| {
            let file = (main.mic.info.path.as_path(), main.channel);
            (*drum, *main, Told { frames: &frames, rate, home: *home, strokes, main: file })
        })
        .collect();
    note_misplaced(&ears, &told, &mut report)?;
    report.advice = advise(song, &report);
    for (drum, mut parts) in views {
        for part in &mut parts {
            if report.advice_for(&part.mic).is_some_and(|a| a.recommendation == Recommendation::Invert) {
                part.sign = -1.0;
            }
        }
        let main = parts.first().map_or(1.0, |main| main.sign);
        for part in parts.iter_mut().skip(1) {
            // An arrival that holds for the other sign would put them against each other.
            if report.pair(drum, &part.mic).is_none_or(|pair| pair.moved(part.sign * main < 0.0).is_err()) {
                part.lag = 0.0;
            }
        }
        let view: SumView = sum_view(drum, &parts, frames.len, frames.before, rate);
        report.sums.push(view);
    }
    note_early(&mut report);
    note_sides(song, &mut report);
    Ok(report)
}

/// Mics in which no drum arrives where it should, and that hear one at another time altogether.
fn note_misplaced(ears: &[Ear<'_>], told: &[(Drum, &Ear<'_>, Told<'_>)], report: &mut PhaseReport) -> Result<()> {
    // Both sides of a stereo file lie where the file lies.
    let mut said: Option<&Path> = None;
    for ear in ears {
        let of_it = |p: &&Pair| (p.mic == ear.name || p.reference == ear.name) && p.kind != PairKind::Stereo;
        let file = ear.mic.info.path.as_path();
        if said == Some(file) || report.pairs.iter().filter(of_it).any(|p| p.arrival_sure) {
            continue;
        }
        for (drum, main, told) in told.iter().filter(|(_, main, _)| main.name != ear.name) {
            let Some(later) = told.heard_elsewhere((file, ear.channel))? else { continue };
            let (by, word, main) = (later.0.abs(), if later.0 > 0.0 { "later" } else { "earlier" }, &main.name);
            report.findings.push(Finding::caution(
                file,
                format!("it hears the {drum} {by:.3} s {word} than {main} does, so the file lies at the wrong time"),
                "Put it back to where it was recorded, or leave it out; then find the strokes again.",
            ));
            said = Some(file);
            break;
        }
    }
    Ok(())
}

/// Overheads and rooms that hear a drum before its close mic were moved, or the close mic was.
fn note_early(report: &mut PhaseReport) {
    for p in &report.pairs {
        if p.kind == PairKind::Kit && p.arrival_sure && p.lag.ms() < -0.3 {
            report.findings.push(Finding::song(
                format!(
                    "{} hears the {} {:.1} ms before {} does, which no air path allows",
                    p.mic,
                    p.drum,
                    -p.lag.ms(),
                    p.reference
                ),
                "One of the two files was moved; put both back to where they were recorded.",
            ));
        }
    }
}

/// The two sides of one stereo file with opposite signs cannot be mended by flipping the file.
fn note_sides(song: &Song, report: &mut PhaseReport) {
    for mic in song.mics.iter().filter(|m| m.place == Place::Stereo) {
        let opposite = report.pairs.iter().any(|p| {
            p.kind == PairKind::Stereo
                && p.reference == format!("{}{}", mic.name, SIDES[0])
                && p.polarity == Agreement::Opposite
        });
        if opposite {
            report.findings.push(Finding::caution(
                &mic.info.path,
                "left and right hear the kit with opposite signs",
                "Flip one side of this stereo file; flipping the whole file does not help.",
            ));
        }
    }
}

fn ears(song: &Song) -> Vec<Ear<'_>> {
    let mut out = Vec::new();
    for mic in &song.mics {
        if mic.place == Place::Stereo && mic.info.channels >= 2 {
            let sides = [(Place::Left, Channel::Left), (Place::Right, Channel::Right)];
            for ((side, channel), word) in sides.into_iter().zip(SIDES) {
                out.push(Ear { name: format!("{}{word}", mic.name), mic, channel, side: Some(side) });
            }
        } else {
            let side = matches!(mic.place, Place::Left | Place::Right).then_some(mic.place);
            out.push(Ear { name: mic.name.clone(), mic, channel: mic.channel, side });
        }
    }
    out
}

/// The close mic that counts as zero for a drum.
fn main_mic<'e, 'a>(ears: &'e [Ear<'a>], drum: Drum) -> Option<&'e Ear<'a>> {
    ears.iter().filter(|e| e.mic.drum == drum).min_by_key(|e| e.mic.place.main_rank())
}

struct DrumCheck<'a> {
    frames: &'a Frames,
    rate: SampleRate,
    settings: PhaseSettings,
    drum: Drum,
    strokes: &'a [u64],
}

struct Done {
    pairs: Vec<Pair>,
    parts: Vec<Part>,
}

impl DrumCheck<'_> {
    /// Where the drum lives: its body and its attack, Hz.
    fn home(&self) -> Band {
        if self.drum == Drum::Kick { Band { low: 30.0, high: 2000.0 } } else { Band { low: 80.0, high: 4000.0 } }
    }

    fn run(&self, ears: &[Ear<'_>], main: &Ear<'_>, progress: &dyn Progress) -> Result<Option<Done>> {
        let narrow = self.frames.window(self.rate, 2.0, 30.0, 60.0);
        let wide = self.frames.window(self.rate, 7.0, 75.0, 60.0);
        let of_main = self.frames.spectra(&main.mic.info.path, main.channel, self.strokes, &[&narrow])?;
        let Some(reference) = of_main.first() else { return Ok(None) };
        let own = Cross::average(reference, reference, self.frames.step, self.home());
        if own.strokes == 0 {
            return Ok(None);
        }
        let low = low_band(self.drum, &own.aa, self.frames.step);
        let main_rise = self.rise(main)?;
        let others: Vec<&Ear<'_>> = ears.iter().filter(|e| e.name != main.name).collect();
        let heard: Result<Vec<Option<Heard>>> = others
            .par_iter()
            .map(|ear| {
                let mut spectra = self.frames.spectra(&ear.mic.info.path, ear.channel, self.strokes, &[&wide])?;
                let spectra = spectra.pop().unwrap_or_default();
                let kind = match ear.mic.drum {
                    d if d == self.drum => PairKind::Close,
                    Drum::Overhead | Drum::Room => PairKind::Kit,
                    _ => PairKind::Bleed,
                };
                let range = match (kind, main_rise) {
                    (PairKind::Close, Some(from)) => match self.rise(ear)? {
                        Some(to) => self.range((to - from) * 1000.0 / self.rate.hz_f64(), CLOSE),
                        None => self.far(),
                    },
                    _ => self.far(),
                };
                progress.advance(1);
                let pair = self.compare((&main.name, reference), (&ear.name, &spectra), kind, range, low);
                Ok(pair.map(|pair| Heard { pair, spectra }))
            })
            .collect();
        let heard: Vec<Option<Heard>> = heard?;
        let mut pairs: Vec<Pair> = heard.iter().flatten().map(|h| h.pair.clone()).collect();
        pairs.extend(self.stereo(reference, &others, &heard, low));
        let mut parts = vec![Part { mic: main.name.clone(), mean: mean_spectrum(reference), sign: 1.0, lag: 0.0 }];
        for (ear, h) in others.iter().zip(&heard) {
            let Some(h) = h else { continue };
            if h.pair.kind == PairKind::Close || ear.mic.drum == Drum::Overhead {
                parts.push(Part {
                    mic: ear.name.clone(),
                    mean: mean_spectrum(&h.spectra),
                    sign: 1.0,
                    lag: h.pair.lag_samples,
                });
            }
        }
        Ok(Some(Done { pairs, parts }))
    }

    /// Left against right of overheads and rooms: only what both have in common with the drum's main mic is compared, so
    /// that a hi-hat that plays along does not answer for the kick.
    fn stereo(&self, reference: &Spectra, others: &[&Ear<'_>], heard: &[Option<Heard>], low: Band) -> Vec<Pair> {
        let mut out = Vec::new();
        for (left, l) in others.iter().zip(heard) {
            if left.side != Some(Place::Left) || !matches!(left.mic.drum, Drum::Overhead | Drum::Room) {
                continue;
            }
            let same_file = left.mic.place == Place::Stereo;
            let right = others.iter().zip(heard).find(|(r, _)| {
                r.side == Some(Place::Right)
                    && r.mic.drum == left.mic.drum
                    && (if same_file { r.mic.name == left.mic.name } else { other_side(&left.name, &r.name) })
            });
            let (Some(l), Some((r, Some(rh)))) = (l, right) else { continue };
            let (ls, rs) = (common(reference, &l.spectra), common(reference, &rh.spectra));
            out.extend(self.compare((&left.name, &ls), (&r.name, &rs), PairKind::Stereo, self.range(0.0, 6.0), low));
        }
        out
    }

    fn far(&self) -> LagRange {
        LagRange { low: FAR.0 * self.rate.hz_f64() / 1000.0, high: FAR.1 * self.rate.hz_f64() / 1000.0 }
    }

    fn range(&self, centre_ms: f64, half_ms: f64) -> LagRange {
        let k = self.rate.hz_f64() / 1000.0;
        LagRange { low: (centre_ms - half_ms) * k, high: (centre_ms + half_ms) * k }
    }

    fn compare(
        &self,
        (an, a): (&str, &Spectra),
        (bn, b): (&str, &Spectra),
        kind: PairKind,
        range: LagRange,
        low: Band,
    ) -> Option<Pair> {
        let home = self.home();
        let cross = Cross::average(a, b, self.frames.step, home);
        let rate = self.rate.hz_f64();
        let sum = |sign: f64, lag: f64, equal: bool| sum_gain(&cross, low, (sign, lag), self.frames.len, equal);
        // Close mics of one drum are a fraction of a wave apart in its low band: there the fuller sum tells the sign, and where the
        // drum arrives is looked for with this sign only. By itself the correlation may be off by half a wave, and turned.
        let known = fuller(kind, cross.strokes, &sum(1.0, 0.0, true));
        let found: Arrival = arrival((a, b), &cross, (home, range, known), self.frames.len, rate)?;
        let lag = Seconds(found.lag / rate);
        let polarity = match found.sign {
            _ if known.is_none() && found.confidence < Pair::CLEAR || cross.strokes < FEW => Agreement::Unclear,
            s if s < 0.0 => Agreement::Opposite,
            _ => Agreement::Same,
        };
        Some(Pair {
            drum: self.drum,
            kind,
            reference: an.to_owned(),
            mic: bn.to_owned(),
            strokes: cross.strokes,
            polarity,
            lag_samples: found.lag,
            lag,
            metres: self.settings.air.metres(lag),
            spread_samples: found.spread,
            agreement: found.agreement,
            rival: found.rival,
            confidence: found.confidence,
            arrival_sure: found.agreement >= SURE && cross.strokes >= FEW,
            band: low,
            sum: sum(found.sign, found.lag, true),
            sum_as_recorded: sum(found.sign, found.lag, false),
        })
    }

    /// Sample (relative to the stroke) at which the averaged power of a close mic first reaches a hundredth of its highest;
    /// `None` for silence.
    fn rise(&self, ear: &Ear<'_>) -> Result<Option<f64>> {
        let mut reader = MonoReader::open(&ear.mic.info.path, ear.channel)?;
        let mut power = vec![0.0f64; self.frames.len];
        let mut stretch = Vec::with_capacity(self.frames.len);
        for &at in self.strokes {
            self.frames.stretch(&mut reader, at, &mut stretch)?;
            let peak = stretch.iter().fold(1e-9f32, |m, v| m.max(v.abs()));
            for (p, v) in power.iter_mut().zip(&stretch) {
                *p += f64::from((v / peak).powi(2));
            }
        }
        let near = self.frames.before + self.rate.samples(Seconds::from_ms(25.0)) as usize;
        let width = self.rate.samples(Seconds::from_ms(0.5)).max(1) as usize;
        let smooth: Vec<f64> = power.windows(width).take(near).map(|w| w.iter().sum()).collect();
        let highest = smooth.iter().fold(0.0f64, |m, &v| m.max(v));
        if highest < 1e-6 * self.strokes.len() as f64 {
            return Ok(None);
        }
        let quiet =
            smooth.iter().take(self.rate.samples(Seconds::from_ms(2.0)) as usize).fold(0.0f64, |m, &v| m.max(v));
        let limit = (RISE.0 * highest).max(RISE.1 * quiet).min(0.5 * highest);
        let first = smooth.iter().position(|&v| v >= limit);
        Ok(first.map(|i| i as f64 - self.frames.before as f64))
    }
}

/// The sign of two close mics of one drum that makes the fuller sum in its low band, where one is fuller by 1 dB.
fn fuller(kind: PairKind, strokes: usize, sum: &SumGain) -> Option<f64> {
    let more = sum.as_is.0 - sum.flipped.0;
    (kind == PairKind::Close && strokes >= FEW && more.abs() >= FULLER).then(|| more.signum())
}

/// What a mic has in common with the main mic, averaged in groups of strokes: the cross-spectra, each stroke weighted alike.
fn common(main: &Spectra, other: &Spectra) -> Spectra {
    let size = main.len().div_ceil(GROUPS).max(1);
    let groups = main.chunks(size).zip(other.chunks(size));
    let average = groups.map(|(m, o)| {
        let mut sum = vec![Complex::<f32>::default(); m.first().map_or(0, Vec::len)];
        for (a, b) in m.iter().zip(o) {
            let energy: f32 = a.iter().map(Complex::norm_sqr).sum::<f32>() + 1e-12;
            for (s, (x, y)) in sum.iter_mut().zip(a.iter().zip(b)) {
                *s += x.conj() * y / energy;
            }
        }
        sum
    });
    average.collect()
}

/// Whether two names differ only in their side (`oh_l` and `oh_r`, `room left` and `room right`).
fn other_side(left: &str, right: &str) -> bool {
    let (l, r) = (left.to_lowercase(), right.to_lowercase());
    let swaps = [("left", "right"), ("_l", "_r"), (" l", " r"), ("-l", "-r"), (".l", ".r"), ("l", "r")];
    swaps.iter().any(|(from, to)| {
        l.rmatch_indices(from).any(|(i, _)| format!("{}{to}{}", &l[..i], l.get(i + from.len()..).unwrap_or("")) == r)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_a_stereo_pair_differ_in_their_side_only() {
        assert!(other_side("overhead_l", "overhead_r"));
        assert!(other_side("Room Left", "room right"));
        assert!(other_side("OHL", "OHR"));
        assert!(!other_side("overhead_l", "room_r"));
    }
}
