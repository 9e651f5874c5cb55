//! Bars and beats of a stretch of audio, in order.

use super::{Meter, TempoMap};
use crate::units::Seconds;
use serde::Serialize;

/// The beginning of a bar.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct BarLine {
    /// Bar, 1 is the first of the song.
    pub bar: i64,
    /// Its first song tick.
    pub tick: i64,
    /// When it begins in the audio.
    pub time: Seconds,
    /// Its meter.
    pub meter: Meter,
}

/// The beginning of a beat.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Beat {
    /// Bar, 1 is the first of the song.
    pub bar: i64,
    /// Beat in the bar, from 1.
    pub beat: u32,
    /// Its first song tick.
    pub tick: i64,
    /// When it begins in the audio.
    pub time: Seconds,
}

impl TempoMap {
    /// A bar by its number.
    #[must_use]
    pub fn bar(&self, bar: i64) -> BarLine {
        let tick = self.bar_start(bar);
        BarLine { bar, tick, time: self.time_at(tick as f64), meter: self.meter_of(bar) }
    }

    /// Bars that begin in `from..to`, in order; none where a bound is no number or beyond
    /// [`MAX_HOURS`](Self::MAX_HOURS).
    pub fn bars(&self, from: Seconds, to: Seconds) -> impl Iterator<Item = BarLine> + '_ {
        let real = is_stretch(from, to);
        let first = self.bar_beat(self.tick_at(from).floor()).bar;
        let bars = (first..).map(|b| self.bar(b)).skip_while(move |b| real && b.time < from);
        bars.take_while(move |b| real && b.time < to)
    }

    /// Beats that begin in `from..to`, in order; none where a bound is no number or beyond
    /// [`MAX_HOURS`](Self::MAX_HOURS).
    pub fn beats(&self, from: Seconds, to: Seconds) -> impl Iterator<Item = Beat> + '_ {
        let real = is_stretch(from, to);
        let first = self.bar_beat(self.tick_at(from).floor()).bar;
        let beats = (first..).flat_map(move |bar| {
            let (start, meter) = (self.bar_start(bar), self.meter_of(bar));
            (0..u32::from(meter.beats)).map(move |i| {
                let tick = start + i64::from(i) * meter.beat_ticks() as i64;
                Beat { bar, beat: i + 1, tick, time: self.time_at(tick as f64) }
            })
        });
        beats.skip_while(move |b| real && b.time < from).take_while(move |b| real && b.time < to)
    }
}

/// Whether two times bound a stretch that any audio can have, so that counting through it ends.
fn is_stretch(from: Seconds, to: Seconds) -> bool {
    let limit = TempoMap::MAX_HOURS as f64 * 3600.0;
    from.0.abs() <= limit && to.0.abs() <= limit
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Bpm;

    fn map() -> TempoMap {
        let bpm = |b| Bpm::new(b).unwrap();
        TempoMap::by_bars(
            Seconds(1.0),
            &[(1, Meter::FOUR_FOUR), (3, Meter { beats: 7, unit: 8 })],
            &[(1, bpm(120.0)), (3, bpm(60.0))],
            &[],
        )
        .unwrap()
    }

    #[test]
    fn bars_begin_where_the_meters_and_tempos_put_them() {
        let map = map();
        let bars: Vec<_> = map.bars(Seconds(0.0), Seconds(9.0)).map(|b| (b.bar, b.time.0)).collect();
        assert_eq!(bars, [(1, 1.0), (2, 3.0), (3, 5.0), (4, 8.5)]);
    }

    #[test]
    fn a_bar_has_as_many_beats_as_its_meter_says() {
        let map = map();
        let beats: Vec<_> = map.beats(Seconds(3.0), Seconds(8.5)).map(|b| (b.bar, b.beat)).collect();
        assert_eq!(beats.len(), 4 + 7);
        assert_eq!((beats[0], beats[4], beats[10]), ((2, 1), (3, 1), (3, 7)));
    }

    #[test]
    fn an_endless_or_undefined_stretch_has_no_bars() {
        assert_eq!(map().bars(Seconds(f64::NAN), Seconds(3.0)).count(), 0);
        assert_eq!(map().beats(Seconds(0.0), Seconds(f64::INFINITY)).count(), 0);
    }
}
