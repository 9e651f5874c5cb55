//! Reading one-shots from folders and files.

use super::shot::{LONGEST, Shot, Unusable};
use super::{SampleSet, SetFault};
use crate::audio::levels::{CLIP_RUN, Clipping};
use crate::audio::{AudioReader, resample};
use crate::error::{Error, Located, Result};
use crate::finding::Finding;
use crate::song::one_shots;
use crate::units::{SampleRate, Seconds};
use rayon::prelude::*;
use std::path::{Path, PathBuf};

/// Where so large a share of a file's energy ..
const LATE_SHARE: f64 = 0.25;
/// .. lies further than this behind its attack, more than one stroke sounds in it.
const LATE: Seconds = Seconds(2.0);
/// Names that a finding lists.
const NAMED: usize = 3;
/// Most one-shots of a set.
const MOST: usize = 1024;

/// Loads a set from files and folders (one level deep), converted to the song's rate and trimmed.
///
/// Findings: shots left out because they are silent or damaged, clipped shots, other rates, mono beside stereo, a single shot,
/// files that sound on as a played track does.
///
/// # Errors
/// [`SetFault`] when nothing usable is there, a folder cannot be read, or there are over 1024 one-shots.
/// A file named by itself must be readable: [`AudioFault`](crate::audio::AudioFault) otherwise.
pub fn load(paths: &[PathBuf], rate: SampleRate) -> Result<(SampleSet, Vec<Finding>)> {
    let first = paths.first().cloned().unwrap_or_default();
    let mut files: Vec<(PathBuf, bool)> = Vec::new();
    for path in paths {
        if path.is_dir() {
            files.extend(folder(path)?.into_iter().map(|f| (f, false)));
        } else {
            files.push((path.clone(), true));
        }
    }
    if files.len() > MOST {
        return Err(fault(&first, SetFault::TooMany(MOST)));
    }
    let read: Vec<(PathBuf, bool, Result<Raw>)> =
        files.into_par_iter().map(|(path, named)| (path.clone(), named, read(&path, rate))).collect();
    let mut findings = Vec::new();
    let mut shots = Vec::new();
    let mut converted: Vec<(u32, usize)> = Vec::new();
    for (path, named, raw) in read {
        let raw = match raw {
            Ok(raw) => raw,
            Err(e) if named => return Err(e),
            Err(e) => {
                findings.push(Finding::caution(&path, format!("left out: {}", cause(&e)), e.remedy()));
                continue;
            }
        };
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        match Shot::new(name, raw.channels, rate) {
            Ok(shot) => {
                note_shot(&path, &shot, raw.long, &mut findings);
                if raw.rate != rate {
                    match converted.iter_mut().find(|(hz, _)| *hz == raw.rate.hz()) {
                        Some((_, n)) => *n += 1,
                        None => converted.push((raw.rate.hz(), 1)),
                    }
                }
                shots.push(shot);
            }
            Err(Unusable::Silent) => {
                findings.push(Finding::caution(
                    &path,
                    "left out: this one-shot is silent",
                    "Export it again, or remove it from the set.",
                ));
            }
        }
    }
    for (hz, n) in converted {
        let from = SampleRate::new(hz).unwrap_or(rate);
        findings.push(Finding::note(&first, format!("{n} one-shots were converted from {from} to the song's {rate}")));
    }
    if shots.is_empty() {
        return Err(fault(&first, SetFault::Empty("nothing that sounds".into())));
    }
    note_set(&first, &shots, &mut findings);
    findings.extend(no_one_shots(&first, &shots, rate));
    let name = first.file_stem().or(first.file_name()).map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    Ok((SampleSet::sort(name, shots), findings))
}

fn fault(path: &Path, fault: SetFault) -> Error {
    Located::whole(path, fault).into()
}

/// What is wrong with a file, without its path.
fn cause(e: &Error) -> String {
    match e {
        Error::Audio(a) => a.fault.to_string(),
        other => other.to_string(),
    }
}

fn note_shot(path: &Path, shot: &Shot, long: bool, findings: &mut Vec<Finding>) {
    let Clipping { runs, longest, .. } = shot.clipped;
    if runs > 0 {
        let how = match longest {
            CLIP_RUN.. => format!("{longest} samples in a row at full scale"),
            _ => format!("{runs} places at full scale"),
        };
        let what = format!("this one-shot is clipped ({how})");
        findings.push(Finding::caution(path, what, "Use a cleaner one, or leave it if you like it."));
    }
    if shot.cut || long {
        let what = format!("longer than {} s: faded out there", LONGEST.0);
        findings.push(Finding::caution(path, what, "Check that this is a one-shot and not a loop."));
    }
}

fn note_set(path: &Path, shots: &[Shot], findings: &mut Vec<Finding>) {
    if shots.len() == 1 {
        findings.push(Finding::note(path, "one one-shot only: every stroke will be the same sound"));
    }
    let stereo = shots.iter().filter(|s| s.channels.len() == 2).count();
    if stereo > 0 && stereo < shots.len() {
        let mono = shots.len() - stereo;
        findings.push(Finding::note(
            path,
            format!(
                "{mono} mono and {stereo} stereo one-shots: the layer is printed in stereo, the mono ones in the middle"
            ),
        ));
    }
}

/// A caution on files that sound on long after their attack, as a track of a kit or a loop does.
fn no_one_shots(path: &Path, shots: &[Shot], rate: SampleRate) -> Option<Finding> {
    let odd: Vec<&str> =
        shots.iter().filter(|s| s.share_behind(LATE, rate) > LATE_SHARE).map(|s| s.name.as_str()).collect();
    let named = odd.iter().take(NAMED).copied().collect::<Vec<_>>().join(", ");
    let more = if odd.len() > NAMED { format!(" and {} more", odd.len() - NAMED) } else { String::new() };
    (!odd.is_empty()).then(|| {
        Finding::caution(
            path,
            format!(
                "these do not look like one-shots: {named}{more} (much sounds later than {} s behind the attack)",
                LATE.0
            ),
            "Name single strokes of one drum: every stroke of the song gets such a file in its whole length.",
        )
    })
}

/// The one-shots of a folder, of which there must be one.
fn folder(path: &Path) -> Result<Vec<PathBuf>> {
    let unreadable = |e: std::io::Error| fault(path, SetFault::Unreadable(crate::output::fault_of(&e).to_string()));
    let files = one_shots(path).map_err(unreadable)?;
    if files.is_empty() {
        return Err(fault(path, SetFault::Empty("no WAV, AIFF, FLAC or MP3 file in it".into())));
    }
    Ok(files)
}

struct Raw {
    channels: Vec<Vec<f32>>,
    rate: SampleRate,
    long: bool,
}

/// Reads at most 20 s of a file and converts it to `rate`.
fn read(path: &Path, rate: SampleRate) -> Result<Raw> {
    let mut reader = AudioReader::open(path)?;
    let from = reader.info().rate;
    let width = usize::from(reader.info().channels).max(1);
    let most = from.samples(LONGEST);
    let long = reader.info().frames > most;
    let mut channels: Vec<Vec<f32>> = vec![Vec::new(); width.min(2)];
    let mut block = Vec::new();
    let mut left = most as usize;
    while left > 0 {
        let n = reader.read(&mut block, left.min(1 << 16))?;
        if n == 0 {
            break;
        }
        left -= n;
        for (c, channel) in channels.iter_mut().enumerate() {
            channel.extend(block.iter().skip(c).step_by(width));
        }
    }
    if from != rate {
        for channel in &mut channels {
            *channel = resample(channel, from, rate, 1)?;
        }
    }
    Ok(Raw { channels, rate: from, long })
}
