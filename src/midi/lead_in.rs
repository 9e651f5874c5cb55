//! The song's tempo map laid out for a file whose tick 0 is the audio's first sample.
//!
//! A MIDI file's bars are counted from its tick 0, so what lies before the song's first bar line in the audio must
//! last a whole number of bars there. It is filled, backwards from that line, with whole bars of the song's own
//! tempo and meter (so that a count-in keeps its bar lines), and what is left over at the very start becomes one bar
//! of its own: so many beats as come nearest to the song's tempo, at the tempo that makes it last exactly.

use crate::tempo::{BarLine, Marker, Meter, MeterChange, TempoChange, TempoFault, TempoMap};
use crate::units::{Bpm, Seconds};
use serde::Serialize;

/// The odd bar at the start of a file.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct LeadIn {
    /// How long it must last.
    pub length: Seconds,
    /// Its meter.
    pub meter: Meter,
    /// Its tempo, BPM.
    pub bpm: f64,
}

/// A tempo map whose tick 0 is sample 0 of the audio.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FileMap {
    /// The map: its start is 0 s, its markers are the song's.
    pub map: TempoMap,
    /// The odd bar at the start, where one is needed.
    pub lead_in: Option<LeadIn>,
    /// How far the song's bar lines lie from where they belong, because a MIDI tempo is a whole number of
    /// microseconds a quarter: positive = late.
    pub bar_line_error: Seconds,
    /// Markers that lie before the audio and are left out.
    pub markers_cut: usize,
}

impl FileMap {
    /// Lays a song's map out for the file.
    ///
    /// # Errors
    /// [`TempoFault`] when the lead-in would push the map beyond its limits.
    pub fn of(song: &TempoMap) -> Result<Self, TempoFault> {
        let line = first_line(song);
        let tempo = song.tempo_at(line.tick as f64);
        let (odd, full_bars) = if song.start().0 >= 0.0 {
            lead_in(line.time, line.meter, tempo, true)
        } else {
            lead_in(line.time, song.meter_of(line.bar - 1), song.tempo_at(line.tick as f64 - 1.0), false)
        };
        let mut tempos = Vec::new();
        let mut meters = Vec::new();
        let mut odd_ticks = 0;
        if let Some((bar, us_per_quarter)) = odd {
            tempos.push(TempoChange { tick: 0, us_per_quarter });
            meters.push(MeterChange { tick: 0, meter: bar.meter });
            odd_ticks = bar.meter.bar_ticks();
        }
        tempos.push(TempoChange { tick: odd_ticks, ..tempo });
        meters.push(MeterChange { tick: odd_ticks, meter: line.meter });
        let on = odd_ticks + full_bars * line.meter.bar_ticks();
        let later = |tick: u64| (tick as i64 > line.tick).then(|| on + (tick as i64 - line.tick).unsigned_abs());
        tempos.extend(song.tempos().iter().filter_map(|c| Some(TempoChange { tick: later(c.tick)?, ..*c })));
        meters.extend(song.meters().iter().filter_map(|c| Some(MeterChange { tick: later(c.tick)?, ..*c })));
        tempos.dedup_by_key(|c| c.us_per_quarter);
        meters.dedup_by_key(|c| c.meter);
        let map = TempoMap::new(Seconds(0.0), tempos, meters, Vec::new())?;
        let (markers, markers_cut) = place_markers(song, &map, line, on);
        let bar_line_error = map.time_at(on as f64) - line.time;
        let lead_in = odd.map(|(bar, _)| bar);
        Ok(Self { map: map.with_markers(markers)?, lead_in, bar_line_error, markers_cut })
    }

    /// The map of a song whose tempo is not known: 120 BPM in 4/4 from the start, what a MIDI file without tempo
    /// means (RP-001).
    #[must_use]
    pub fn unknown() -> Self {
        let map = TempoMap::constant(Bpm::MIDI_DEFAULT, Meter::FOUR_FOUR, Seconds(0.0));
        Self { map, lead_in: None, bar_line_error: Seconds(0.0), markers_cut: 0 }
    }
}

/// Half a tick of a tempo: what cannot be told apart in the file.
fn half_tick(tempo: TempoChange) -> f64 {
    f64::from(tempo.us_per_quarter) * 0.5e-6 / TempoMap::PPQ as f64
}

/// The song's first bar line that the audio holds: where its map begins, or the first line after the audio's start.
fn first_line(song: &TempoMap) -> BarLine {
    if song.start().0 >= 0.0 {
        return song.bar(song.first_bar());
    }
    let bar = song.bar_beat_at(Seconds(0.0)).bar;
    let line = song.bar(bar);
    if line.time.0 >= -half_tick(song.tempo_at(line.tick as f64)) { line } else { song.bar(bar + 1) }
}

/// What fills the audio before a bar line at `until`: one odd bar with its microseconds a quarter, then whole bars of a
/// meter and tempo. Whole bars only where the map begins at the line (`fill`); a bar that the audio's start cuts is
/// one odd bar.
fn lead_in(until: Seconds, mut meter: Meter, tempo: TempoChange, fill: bool) -> (Option<(LeadIn, u32)>, u64) {
    let ticks_to_s = f64::from(tempo.us_per_quarter) * 1e-6 / TempoMap::PPQ as f64;
    let length = until.0.max(0.0);
    let bar = meter.bar_ticks() as f64 * ticks_to_s;
    let mut full = if fill { ((length + half_tick(tempo)) / bar).floor() } else { 0.0 };
    let mut rest = length - full * bar;
    if rest <= half_tick(tempo) {
        return (None, full as u64);
    }
    let beat = meter.beat_ticks() as f64 * ticks_to_s;
    if rest < beat / 2.0 && full >= 1.0 {
        // Too short for a beat of its own: the first whole bar stretches by it.
        full -= 1.0;
        rest += bar;
    } else {
        let mut note = beat;
        while rest < note / 2.0 && meter.unit < 32 {
            meter.unit *= 2;
            note /= 2.0;
        }
        meter.beats = (rest / note).round().clamp(1.0, 99.0) as u8;
    }
    let us = |meter: Meter| (rest * 1e6 * TempoMap::PPQ as f64 / meter.bar_ticks() as f64).round();
    while us(meter) > f64::from(TempoMap::MAX_US) && meter.beats < 99 {
        meter.beats += 1;
    }
    let us = us(meter);
    if us < f64::from(TempoMap::MIN_US) {
        // An eighth of a millisecond at most: left to the reported error of the bar lines.
        return (None, full as u64);
    }
    (Some((LeadIn { length: Seconds(rest), meter, bpm: 60e6 / us }, us as u32)), full as u64)
}

/// The song's markers at their places in the file, and how many lie before the audio. Where the file's bar numbers
/// are not the song's, a marker names the song's first bar.
fn place_markers(song: &TempoMap, map: &TempoMap, line: BarLine, on: u64) -> (Vec<Marker>, usize) {
    let mut markers = Vec::with_capacity(song.markers().len() + 1);
    for marker in song.markers() {
        let since = marker.tick as i64 - line.tick;
        let tick =
            if since >= 0 { on as f64 + since as f64 } else { map.tick_at(song.time_at(marker.tick as f64)).round() };
        if tick >= 0.0 {
            markers.push(Marker { tick: tick as u64, name: marker.name.clone() });
        }
    }
    let cut = song.markers().len() - markers.len();
    if map.bar_beat(on as f64).bar != line.bar {
        let bar = line.bar.max(1);
        let tick = on + (song.bar_start(bar) - line.tick).unsigned_abs();
        if markers.iter().all(|m| m.tick != tick) {
            markers.push(Marker { tick, name: format!("bar {bar}") });
        }
    }
    (markers, cut)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn map(bpm: f64, meter: &str, bar_one: f64) -> TempoMap {
        TempoMap::constant(Bpm::new(bpm).unwrap(), meter.parse().unwrap(), Seconds(bar_one))
    }

    /// Tempos in microseconds a quarter and meters, by tick.
    type Events = (Vec<(u64, u32)>, Vec<(u64, String)>);

    fn events(file: &FileMap) -> Events {
        let tempos = file.map.tempos().iter().map(|c| (c.tick, c.us_per_quarter)).collect();
        (tempos, file.map.meters().iter().map(|c| (c.tick, c.meter.to_string())).collect())
    }

    #[test]
    fn a_song_that_begins_with_the_audio_keeps_its_map() {
        let song = map(104.0, "4/4", 0.0);
        let file = FileMap::of(&song).unwrap();
        assert_eq!(file.map, song);
        assert_eq!((file.lead_in, file.bar_line_error), (None, Seconds(0.0)));
    }

    #[test]
    fn whole_bars_before_bar_one_need_no_events_of_their_own() {
        let file = FileMap::of(&map(120.0, "4/4", 4.0)).unwrap();
        assert_eq!(events(&file), (vec![(0, 500_000)], vec![(0, "4/4".into())]));
        assert_eq!(file.lead_in, None);
        assert_eq!(file.map.markers(), [Marker { tick: 7680, name: "bar 1".into() }]);
    }

    #[test]
    fn what_is_left_over_becomes_one_bar_of_the_nearest_beats() {
        // 5.6 s before bar 1 at 120: two bars of 2 s, and 1.6 s left: three beats at 112.5 BPM.
        let file = FileMap::of(&map(120.0, "4/4", 5.6)).unwrap();
        let meters = vec![(0, "3/4".into()), (2880, "4/4".into())];
        assert_eq!(events(&file), (vec![(0, 533_333), (2880, 500_000)], meters));
        assert_eq!(file.map.bar(4).time.0, 5.599_999);
        assert!((file.bar_line_error.0 + 1e-6).abs() < 1e-12);
        assert!((file.lead_in.unwrap().bpm - 112.5).abs() < 0.001);
    }

    #[test]
    fn less_than_half_a_beat_left_over_stretches_the_first_bar() {
        // 2.1 s at 120: one bar, a tenth of a second longer.
        let file = FileMap::of(&map(120.0, "4/4", 2.1)).unwrap();
        assert_eq!(events(&file), (vec![(0, 525_000), (3840, 500_000)], vec![(0, "4/4".into())]));
    }

    #[test]
    fn a_very_short_lead_in_is_a_bar_of_one_short_note() {
        let file = FileMap::of(&map(120.0, "4/4", 0.005)).unwrap();
        let meters = vec![(0, "1/32".into()), (120, "4/4".into())];
        assert_eq!(events(&file), (vec![(0, 40_000), (120, 500_000)], meters));
        // Less than half a tick (0.26 ms at 120) cannot be told from nothing.
        let none = FileMap::of(&map(120.0, "4/4", 0.0002)).unwrap();
        assert_eq!(none.lead_in, None);
        assert_eq!(none.bar_line_error, Seconds(-0.0002));
    }

    #[test]
    fn audio_that_begins_inside_the_song_begins_with_the_rest_of_that_bar() {
        let meter = |m: &str| m.parse().unwrap();
        let song = TempoMap::by_bars(
            Seconds(-3.0),
            &[(1, meter("4/4")), (3, meter("6/8"))],
            &[(1, Bpm::new(120.0).unwrap()), (4, Bpm::new(60.0).unwrap())],
            &[(1, "intro".into()), (3, "verse".into()), (5, "chorus".into())],
        )
        .unwrap();
        // Bar 3 begins at 1 s; bar 4 at 2.5 s.
        let file = FileMap::of(&song).unwrap();
        let (tempos, meters) = events(&file);
        assert_eq!(meters, [(0, "2/4".into()), (1920, "6/8".into())]);
        assert_eq!(tempos, [(0, 500_000), (4800, 1_000_000)]);
        let names: Vec<_> = file.map.markers().iter().map(|m| (m.tick, m.name.as_str())).collect();
        assert_eq!(names, [(1920, "verse"), (7680, "chorus")]);
        assert_eq!(file.markers_cut, 1);
    }

    #[test]
    fn a_count_in_is_marked_where_bar_one_begins() {
        let file = FileMap::of(&map(120.0, "4/4", 0.5).with_count_in(2)).unwrap();
        assert_eq!(file.map.markers(), [Marker { tick: 960 + 7680, name: "bar 1".into() }]);
    }

    #[test]
    fn the_slowest_song_still_has_a_tempo_that_a_file_can_store() {
        let file = FileMap::of(&map(Bpm::MIN, "1/4", 16.67 * 1.45)).unwrap();
        assert!(file.map.tempos().iter().all(|t| t.us_per_quarter <= TempoMap::MAX_US));
        assert!(file.bar_line_error.0.abs() < 2e-6);
    }

    proptest! {
        /// Every bar line of the song that the audio holds is a bar line of the file, within the microseconds that a
        /// whole number a quarter leaves (or within half a tick where the lead-in is shorter than that).
        #[test]
        fn bar_lines_stay_where_they_belong(
            bpm in 30.0..300.0f64, beats in 1u8..13, power in 1u32..5, bar_one in -20.0..40.0f64, slower in 0.5..1.0f64,
        ) {
            let meter = Meter::new(beats, 1 << power).unwrap();
            let tempos = [(1, Bpm::new(bpm).unwrap()), (4, Bpm::new(bpm * slower).unwrap())];
            let song = TempoMap::by_bars(Seconds(bar_one), &[(1, meter)], &tempos, &[]).unwrap();
            let file = FileMap::of(&song).unwrap();
            let bound = if file.lead_in.is_some() { 25e-6 } else { 1.1e-3 };
            prop_assert!(file.bar_line_error.0.abs() <= bound, "{:?}", file);
            for line in song.bars(Seconds(0.001), Seconds(60.0)).filter(|l| l.bar >= 1) {
                let at = file.map.bar_beat_at(line.time + Seconds(1e-9));
                let nearest = [at.bar, at.bar + 1].map(|b| (file.map.bar(b).time.0 - line.time.0 - file.bar_line_error.0).abs());
                prop_assert!(nearest[0].min(nearest[1]) < 1e-9, "bar {}: {:?}", line.bar, file);
            }
        }
    }
}
