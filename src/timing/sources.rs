//! Do two sources of tempo agree, does a map reach to the end, and what form do cue points give?
//!
//! In: tempo maps, cue points. Out: the first place where two maps part; sections; findings.

use crate::audio::Cue;
use crate::finding::Finding;
use crate::song::Section;
use crate::tempo::TempoMap;
use crate::units::{SampleRate, Seconds};
use serde::Serialize;

/// The first bar line at which two maps part.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Parting {
    /// The bar.
    pub bar: i64,
    /// How much later the second map has it, ms.
    pub by_ms: f64,
    /// Tempo there in the first map, quarter notes a minute.
    pub first_bpm: f64,
    /// Tempo there in the second map.
    pub second_bpm: f64,
}

/// Maps that stay this close are the same, ms: a bar line of a MIDI file may be off by less.
const SAME_MS: f64 = 2.0;

/// Where two maps first part by more than 2 ms, up to `end`; `None` where they agree.
#[must_use]
pub fn parting(first: &TempoMap, second: &TempoMap, end: Seconds) -> Option<Parting> {
    first.bars(Seconds(first.bar_one().0 - 1e-6), end).find_map(|line| {
        let other = second.bar(line.bar);
        let by_ms = (other.time - line.time).ms();
        // Tempos are those of the bar that led here.
        let inside = |m: &TempoMap, tick: i64| m.tempo_at((tick as f64 - 1.0).max(0.0)).bpm();
        (by_ms.abs() > SAME_MS || other.meter != line.meter).then(|| Parting {
            bar: line.bar,
            by_ms,
            first_bpm: inside(first, line.tick),
            second_bpm: inside(second, other.tick),
        })
    })
}

/// The form that cue points of a WAV file give: each begins a section at the bar line nearest to it, named by its
/// label; the last ends with the bar in which the audio ends. Cue points before bar 1, behind the end or without a
/// bar line nearby are told and left out.
#[must_use]
pub fn form_of_cues(cues: &[Cue], rate: SampleRate, map: &TempoMap, end: Seconds) -> (Vec<Section>, Vec<Finding>) {
    let (mut starts, mut findings) = (Vec::<(i64, String)>::new(), Vec::new());
    let mut sorted: Vec<&Cue> = cues.iter().collect();
    sorted.sort_by_key(|c| c.pos);
    for (n, cue) in sorted.into_iter().enumerate() {
        let time = cue.pos.at(rate);
        let name = if cue.label.trim().is_empty() { format!("section {}", n + 1) } else { cue.label.trim().to_owned() };
        let at = map.bar_beat_at(time);
        let bar = [at.bar, at.bar + 1]
            .into_iter()
            .min_by(|a, b| (map.bar(*a).time - time).0.abs().total_cmp(&(map.bar(*b).time - time).0.abs()))
            .unwrap_or(at.bar);
        let away = (map.bar(bar).time - time).0.abs();
        let beat = map.time_at(map.bar_start(bar) as f64 + map.meter_of(bar).beat_ticks() as f64) - map.bar(bar).time;
        let outside = if time > end {
            Some(format!("after the end of the audio at {end}"))
        } else if bar < 1 {
            Some(format!("before bar 1 at {}", map.bar_one()))
        } else if away > beat.0 / 2.0 {
            Some(format!("{:.0} ms away from the nearest bar line", away * 1000.0))
        } else {
            None
        };
        match outside {
            Some(place) => findings.push(Finding::song(
                format!("The marker \"{name}\" at {time} lies {place} and is left out."),
                "Move it to the first beat of its section, or check tempo and bar 1.",
            )),
            None => starts.push((bar, name)),
        }
    }
    starts.dedup_by_key(|s| s.0);
    let last = map.bar_beat_at(end).bar + 1;
    let ends: Vec<i64> = starts.iter().skip(1).map(|s| s.0).chain([last]).collect();
    let form = starts
        .into_iter()
        .zip(ends)
        .filter(|((first, _), end)| end > first)
        .map(|((first_bar, name), end_bar)| Section { name, first_bar, end_bar })
        .collect();
    (form, findings)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tempo::Meter;
    use crate::units::Bpm;

    fn map(bpm: f64) -> TempoMap {
        TempoMap::constant(Bpm::new(bpm).unwrap(), Meter::FOUR_FOUR, Seconds(2.0))
    }

    #[test]
    fn two_tempos_part_where_their_bars_part() {
        assert_eq!(parting(&map(120.0), &map(120.0), Seconds(60.0)), None);
        let p = parting(&map(120.0), &map(118.0), Seconds(60.0)).unwrap();
        // A bar lasts 2000 and 2033.9 ms.
        assert_eq!(p.bar, 2);
        assert!((p.by_ms - 33.9).abs() < 0.01 && (p.second_bpm - 118.0).abs() < 0.01);
        let later = map(120.0).with_bar_one(Seconds(2.5));
        assert_eq!(parting(&map(120.0), &later, Seconds(60.0)).map(|p| p.bar), Some(1));
    }

    #[test]
    fn cue_points_make_a_form_and_those_outside_are_told() {
        let cue = |s: f64, label: &str| Cue { pos: Seconds(s).sample(SampleRate::SESSION), label: label.into() };
        let cues = [cue(18.01, "chorus"), cue(2.0, "verse"), cue(7.1, "lost"), cue(0.1, "early"), cue(50.0, "late")];
        let (form, findings) = form_of_cues(&cues, SampleRate::SESSION, &map(120.0), Seconds(34.0));
        let told: Vec<_> = form.iter().map(|s| (s.name.as_str(), s.first_bar, s.end_bar)).collect();
        assert_eq!(told, [("verse", 1, 9), ("chorus", 9, 18)]);
        let what = |name: &str| findings.iter().find(|f| f.what.contains(name)).map(|f| f.what.clone()).unwrap();
        assert!(what("late").contains("after the end"));
        assert!(what("lost").contains("away from the nearest bar line"));
        assert!(what("early").contains("before bar 1"));
    }
}
