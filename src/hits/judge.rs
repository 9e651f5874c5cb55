//! What can be said of each candidate stroke, as numbers that do not depend on level, tuning or kit.
//!
//! In: powers, floor, predicted bleed and ring of a drum's own mics, candidate frames. Out: one row of [`FEATURES`]
//! numbers and one [`KitVerdict`] a candidate, for the model that tells own strokes from bleed.

use super::bands::{BANDS, Bands, Every, Row, SPARSE, filled};
use super::bleed::Expected;
use super::decibel::db;
use super::novelty::{BLEED_MARGIN, CEILING, LAG, LEAD, PAST_MARGIN, Ring};
use super::others::Others;
use crate::wide::wide;
use pulp::Arch;

/// Frames around the candidate at which the main mic's bands are looked at, −12 to +60 ms.
const LOOKS: [isize; 14] = [-9, -5, -2, 0, 1, 2, 4, 6, 9, 13, 18, 25, 34, 45];
/// Frames at which power is compared with the mic's floor.
const AGAINST_FLOOR: [isize; 3] = [0, 2, 6];
/// Frames of a stroke within which its bands peak.
const HEAD: usize = 8;
/// Numbers that the main mic alone gives of a candidate.
pub const FEATURES: usize = 1 + LOOKS.len() * BANDS + AGAINST_FLOOR.len() * BANDS + 4 * BANDS + 1 + 11;

/// Looks before the candidate begins.
const BEFORE: usize = 3;
/// Numbers of a [`shape`](Alone::shape).
pub const SHAPE: usize = (LOOKS.len() - BEFORE) * BANDS;

/// What the rest of the kit says of a candidate.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct KitVerdict {
    /// What other mics there were to ask.
    pub others: Others,
    /// Novelty over all own mics against their predicted bleed, dB, at most 12.
    pub height: f32,
    /// Novelty of the main mic against floor and past alone, dB, at most 12.
    pub plain: f32,
    /// How far the main mic stands above its predicted bleed, dB: mean over the bands, each within −10..=30.
    pub above: f32,
    /// Share of bands in which it stands more than 6 dB above.
    pub clear: f32,
    /// How much louder than at the drum's own strokes every other mic hears it against the main mic, dB, in the lowest
    /// bands; 0 where there is no other. See [`Elsewhere`].
    pub elsewhere: f32,
}

/// A drum's own mic with all that is known of it.
pub struct OwnMic<'a> {
    /// Powers.
    pub power: &'a Bands,
    /// Its floor: what is expected where nothing sounds and no other mic is asked.
    pub floor: [f32; BANDS],
    /// Ring of the drum's own strokes.
    pub ring: Ring,
    /// Band powers of a loud stroke of this drum in this mic.
    pub loud: [f32; BANDS],
}

/// Highest power of each band in the first eight frames from one before `t`.
#[must_use]
pub fn head(power: &Bands, t: usize) -> [f32; BANDS] {
    let (rows, mut top) = (power.rows(), [0.0f32; BANDS]);
    for r in &rows[t.saturating_sub(1).min(rows.len())..(t + HEAD).min(rows.len())] {
        for b in 0..BANDS {
            top[b] = top[b].max(r[b]);
        }
    }
    top
}

/// Level of a candidate against a loud stroke, dB: the mean over the bands, each held within −50..=+10.
#[must_use]
pub fn relative_level(power: &Bands, loud: &[f32; BANDS], t: usize) -> f32 {
    let top = head(power, t);
    let levels = levels_within(&fill(&top), &fill(loud), (-50.0, 10.0));
    levels[..BANDS].iter().sum::<f32>() / BANDS as f32
}

/// Level of each band against another power, dB, held within a range.
fn levels_within(power: &Row, against: &Row, range: (f32, f32)) -> Row {
    wide!(
        Arch::new(),
        levels(power: &'a Row = power, against: &'a Row = against, range: (f32, f32) = range) -> Row
    )
}

#[inline(always)]
fn levels(power: &Row, against: &Row, (least, most): (f32, f32)) -> Row {
    std::array::from_fn(|l| db(power[l] / against[l].max(1e-14)).clamp(least, most))
}

/// Level of a candidate in its mic, dB: the power of all bands together, so that the drum's own weight counts and not
/// how many bands a bright bleed fills.
#[must_use]
pub fn total_level(power: &Bands, t: usize) -> f32 {
    db(head(power, t).iter().sum())
}

/// Band powers of a loud stroke: the 70th percentile over the given strokes; a floor where there is none.
#[must_use]
pub fn loud_stroke(power: &Bands, strokes: &[usize]) -> [f32; BANDS] {
    let heads: Vec<[f32; BANDS]> = strokes.iter().map(|&t| head(power, t)).collect();
    std::array::from_fn(|b| {
        let mut column: Vec<f32> = heads.iter().map(|h| h[b]).collect();
        if column.is_empty() {
            return 1e-10;
        }
        let k = ((column.len() - 1) as f64 * 0.7).round() as usize;
        column.select_nth_unstable_by(k, f32::total_cmp).1.max(1e-12)
    })
}

/// The main mic alone, listened to at every candidate.
pub struct Alone<'a> {
    main: OwnMic<'a>,
    candidates: &'a [usize],
    heights: &'a [f32],
    levels: Vec<f32>,
    arch: Arch,
}

impl<'a> Alone<'a> {
    /// Listens at frames `candidates`, in order. `heights` is the novelty of each against the mic's floor, so that the same
    /// sound gives the same numbers whatever other mics there are.
    #[must_use]
    pub fn new(main: OwnMic<'a>, candidates: &'a [usize], heights: &'a [f32]) -> Self {
        let levels = candidates.iter().map(|&t| relative_level(main.power, &main.loud, t)).collect();
        Self { main, candidates, heights, levels, arch: Arch::new() }
    }

    /// All that it says of candidate number `i`.
    #[must_use]
    pub fn features(&self, i: usize) -> [f32; FEATURES] {
        let mut f = Numbers { values: [0.0; FEATURES + SPARE], next: 0 };
        wide!(
            self.arch,
            look_at_main(
                mic: &'a OwnMic<'a> = &self.main,
                t: isize = self.candidates[i] as isize,
                level: f32 = self.levels[i],
                f: &'a mut Numbers = &mut f,
            )
        );
        look_around(self.candidates, self.heights, &self.levels, i, &mut f);
        debug_assert_eq!(f.next, FEATURES);
        std::array::from_fn(|k| f.values[k])
    }

    /// Its bands from the beginning of candidate number `i` to 60 ms later, free of level: a part of its features.
    #[must_use]
    pub fn shape(&self, i: usize) -> [f32; SHAPE] {
        let mut f = Numbers { values: [0.0; FEATURES + SPARE], next: 0 };
        wide!(
            self.arch,
            look_at(
                mic: &'a OwnMic<'a> = &self.main,
                t: isize = self.candidates[i] as isize,
                level: f32 = self.levels[i],
                looks: &'a [isize] = &LOOKS[BEFORE..],
                f: &'a mut Numbers = &mut f,
            )
        );
        debug_assert_eq!(f.next, SHAPE);
        std::array::from_fn(|k| f.values[k])
    }
}

/// Asks the rest of the kit about the candidate at frame `t` of the main mic (its powers and predicted bleed);
/// `others` are the mics that were asked. `height` is the novelty over all own mics against their
/// predicted bleed there, `plain` that of the main mic against floor and past alone.
#[must_use]
pub fn ask_the_kit(mic: (&Bands, &Expected), others: Others, t: usize, height: f32, plain: f32) -> KitVerdict {
    let (power, bleed) = mic;
    let (above, clear) = above_bleed(power, bleed, t);
    KitVerdict { others, height: height.min(12.0), plain: plain.min(12.0), above, clear, elsewhere: 0.0 }
}

/// Bands in which the mics are compared: 60 to 200 Hz, the weight of a kick.
const LOW: usize = 2;

/// Tells sounds from elsewhere in the room: a drum is nearest to its own mic, so against that mic all others hear its
/// strokes least; of a drum that has no mic of its own (a floor tom beside kick and overheads) every other mic hears
/// relatively more. No distances need to be known, for the take's sure strokes say what is usual.
pub struct Elsewhere<'a> {
    main: &'a Bands,
    /// The other mics and by how many dB each usually hears the drum louder than the main mic does.
    others: Vec<(&'a Bands, f32)>,
}

impl<'a> Elsewhere<'a> {
    /// From frames of sure strokes of the drum of mic `main`; of the `others` every second frame counts, as
    /// [`SPARSE`] says. The lower quartile of the louder half of the strokes counts, in which nothing else sounds. `None` where
    /// there are no strokes or no others.
    #[must_use]
    pub fn learn(main: &'a Bands, others: &[&'a Bands], sure: &[usize]) -> Option<Self> {
        let own: Vec<f32> = sure.iter().map(|&t| total_level(main, t)).collect();
        let mut sorted = own.clone();
        sorted.sort_unstable_by(f32::total_cmp);
        let middle = *sorted.get(sorted.len() / 2)?;
        let loud: Vec<usize> = sure.iter().zip(own).filter(|(_, l)| *l >= middle).map(|(&t, _)| t).collect();
        let usual = |other: &'a Bands| {
            let apart = |&t: &usize| low_rise(other.sparse(), t, SPARSE) - low_rise(main.every(), t, 1);
            let mut apart: Vec<f32> = loud.iter().map(apart).collect();
            apart.sort_unstable_by(f32::total_cmp);
            (other, apart.get(apart.len().saturating_sub(1) / 4).copied().unwrap_or(0.0))
        };
        let others: Vec<(&Bands, f32)> = others.iter().map(|o| usual(o)).collect();
        (!others.is_empty()).then_some(Self { main, others })
    }

    /// How much louder than usual every other mic hears what sounds at frame `t`, dB: the least over the mics, within
    /// −15..=20.
    #[must_use]
    pub fn louder(&self, t: usize) -> f32 {
        let own = low_rise(self.main.every(), t, 1);
        let above = |(other, usual): &(&Bands, f32)| low_rise(other.sparse(), t, SPARSE) - own - usual;
        let least = self.others.iter().map(above).fold(f32::MAX, f32::min);
        least.clamp(-15.0, 20.0)
    }
}

/// Least rise that can be heard over what was there, a tenth of its power: 0.4 dB.
const HEARD: f32 = 0.1;

/// Power by which the lowest bands rise at frame `t` over what was there 7 ms before, dB, in a mic of which every so many
/// frames are known. Less than can be heard counts as just that.
fn low_rise(power: Every, t: usize, every: usize) -> f32 {
    let mut top = [0.0f32; LOW];
    for k in t.saturating_sub(1).div_ceil(every)..(t + HEAD).div_ceil(every).min(power.len()) {
        let row = power.row(k);
        for b in 0..LOW {
            top[b] = top[b].max(row[b]);
        }
    }
    let past = (t as isize - LAG as isize).div_euclid(every as isize);
    let past = power.row(past.clamp(0, power.len() as isize - 1) as usize);
    db((0..LOW).map(|b| (top[b] - past[b]).max(HEARD * past[b])).sum())
}

/// How far a candidate stands above the predicted bleed: mean over the bands in dB, each within −10..=30, and the
/// share of bands more than 6 dB above.
fn above_bleed(power: &Bands, bleed: &Expected, t: usize) -> (f32, f32) {
    let above = levels_within(&power.row_at(t + LEAD), &bleed.row_at(t + LEAD), (-10.0, 30.0));
    let above = &above[..BANDS];
    let clear = above.iter().filter(|above| **above > 6.0).count();
    (above.iter().sum::<f32>() / BANDS as f32, clear as f32 / BANDS as f32)
}

/// Room behind the features, for a row is put down whole.
const SPARE: usize = 16 - BANDS;

struct Numbers {
    values: [f32; FEATURES + SPARE],
    next: usize,
}

impl Numbers {
    #[inline(always)]
    fn put(&mut self, v: f32) {
        self.values[self.next] = v;
        self.next += 1;
    }

    /// One number a band; what stands behind the bands is overwritten by what comes next.
    #[inline(always)]
    fn put_bands(&mut self, row: Row) {
        if let Some(room) = self.values.get_mut(self.next..self.next + row.len()) {
            room.copy_from_slice(&row);
        }
        self.next += BANDS;
    }
}

/// A row of bands, filled up with ones.
#[inline(always)]
fn fill(row: &[f32; BANDS]) -> Row {
    std::array::from_fn(|l| row.get(l).copied().unwrap_or(1.0))
}

/// Most numbers are told in units of 15 dB. Products, for a division takes the processor several times as long.
const OVER_15: f32 = 1.0 / 15.0;

/// One over each power of a row, none taken for less than −140 dB.
#[inline(always)]
fn over(row: &Row) -> Row {
    std::array::from_fn(|l| 1.0 / row[l].max(1e-14))
}

/// The bands at some frames after `t` against those of a loud stroke, free of level.
#[inline(always)]
fn look_at(mic: &OwnMic, t: isize, level: f32, looks: &[isize], f: &mut Numbers) {
    let (p, over_loud) = (mic.power.rows(), over(&fill(&mic.loud)));
    for k in looks {
        let now = filled(p, (t + k).clamp(0, p.len() as isize - 1) as usize);
        f.put_bands(std::array::from_fn(|l| {
            (db(now[l] * over_loud[l]).clamp(-70.0, 15.0) - level).clamp(-35.0, 25.0) * OVER_15
        }));
    }
}

#[inline(always)]
fn look_at_main(mic: &OwnMic, t: isize, level: f32, f: &mut Numbers) {
    let p = mic.power.rows();
    let at = |t: isize| filled(p, t.clamp(0, p.len() as isize - 1) as usize);
    let (loud, floor) = (fill(&mic.loud), fill(&mic.floor));
    f.put(level / 20.0);
    look_at(mic, t, level, &LOOKS, f);
    let over_floor = over(&floor);
    for k in AGAINST_FLOOR {
        let now = at(t + k);
        f.put_bands(std::array::from_fn(|l| db(now[l] * over_floor[l]).clamp(-10.0, 30.0) * OVER_15));
    }
    let lead = t + LEAD as isize;
    let (now, past) = (at(lead), at(t - LAG as isize));
    f.put_bands(std::array::from_fn(|l| {
        (db(floor[l] / loud[l]).clamp(-80.0, 15.0) - level).clamp(-35.0, 25.0) * OVER_15
    }));
    let rises: Row = std::array::from_fn(|l| {
        db(now[l] / (BLEED_MARGIN * floor[l] + PAST_MARGIN * past[l]).max(1e-14)).clamp(0.0, CEILING)
    });
    f.put_bands(rises.map(|rise| rise * 0.1));
    let ring = fill(&mic.ring.at(lead.max(0) as usize));
    f.put_bands(std::array::from_fn(|l| {
        let above = db(now[l] / ring[l]).clamp(-15.0, 25.0);
        if ring[l] > 0.0 { above * OVER_15 } else { 25.0 * OVER_15 }
    }));
    f.put(rises[..BANDS].iter().sum::<f32>() / BANDS as f32 / 5.0);
    // What a loud stroke of this mic sounds like at all: a mic of pure bleed is no drum.
    let most = mic.loud.iter().fold(1e-14f32, |m, &v| m.max(v));
    f.put_bands(std::array::from_fn(|l| db(loud[l] / most).max(-45.0) * OVER_15));
}

fn look_around(candidates: &[usize], heights: &[f32], levels: &[f32], i: usize, f: &mut Numbers) {
    let t = candidates[i] as isize;
    // Highest neighbour and loudest neighbour within so many frames before and after.
    let spans: [(isize, isize); 4] = [(-60, -1), (-16, -1), (1, 16), (1, 34)];
    for (lo, hi) in spans {
        let (mut top, mut loud) = (0.0f32, -50.0f32);
        let inside = |j: usize| (lo..=hi).contains(&(candidates[j] as isize - t));
        let near = (0..i).rev().take_while(|&j| candidates[j] as isize - t >= lo);
        let after = (i + 1..candidates.len()).take_while(|&j| candidates[j] as isize - t <= hi);
        for j in near.chain(after).filter(|&j| inside(j)) {
            top = top.max(heights[j]);
            loud = loud.max(levels[j]);
        }
        f.put(top / 5.0);
        f.put((loud - levels[i]).clamp(-40.0, 40.0) / 20.0);
    }
    f.put(heights[i] / 5.0);
    let gap = |j: Option<usize>| j.map_or(60.0, |j| (candidates[j] as isize - t).unsigned_abs().min(60) as f32);
    f.put(gap(i.checked_sub(1)) / 30.0);
    f.put(gap((i + 1 < candidates.len()).then_some(i + 1)) / 30.0);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A mic that hears a sound at each of `at` with the given power, over a floor.
    fn mic(frames: usize, at: &[(usize, f32)]) -> Bands {
        let row = |t: usize| {
            let heard = |&(from, power): &(usize, f32)| if (from..from + 20).contains(&t) { power } else { 0.0 };
            1e-9 + at.iter().map(heard).sum::<f32>()
        };
        Bands::from_rows((0..frames).map(|t| [row(t); BANDS]).collect())
    }

    /// Frames of strokes of a drum, and of a tom that has no mic of its own.
    const STROKES: [usize; 6] = [50, 150, 250, 350, 450, 550];
    const TOMS: [usize; 3] = [200, 300, 500];

    /// The drum is 24 dB louder in its own mic than in the other, the tom 2 dB; both at any gain.
    fn two_mics(own: f32, other: f32) -> (Bands, Bands) {
        let heard = |drum: f32, tom: f32| -> Vec<(usize, f32)> {
            STROKES.iter().map(|&t| (t, drum)).chain(TOMS.iter().map(|&t| (t, tom))).collect()
        };
        (mic(700, &heard(own * 1.0, own * 0.01)), mic(700, &heard(other * 0.004, other * 0.0063)))
    }

    #[test]
    fn what_another_mic_hears_louder_than_usual_comes_from_elsewhere() {
        for (own, other) in [(1.0, 1.0), (0.01, 1.0), (1.0, 0.001)] {
            let (main, kit) = two_mics(own, other);
            let elsewhere = Elsewhere::learn(&main, &[&kit], &STROKES).unwrap();
            for t in STROKES {
                assert!(elsewhere.louder(t).abs() < 0.5, "stroke at frame {t}");
            }
            for t in TOMS {
                assert!(elsewhere.louder(t) > 15.0, "tom at frame {t}");
            }
        }
    }

    #[test]
    fn a_mic_that_hears_it_no_louder_speaks_for_the_drum() {
        let (main, kit) = two_mics(1.0, 1.0);
        let elsewhere = Elsewhere::learn(&main, &[&kit, &main], &STROKES).unwrap();
        assert!(TOMS.iter().all(|&t| elsewhere.louder(t).abs() < 0.5));
    }

    #[test]
    fn a_mic_that_hardly_hears_the_drum_over_its_own_noise_does_not_speak_against_it() {
        let (main, _) = two_mics(1.0, 1.0);
        // Noise that has just fallen at most strokes and risen by a twentieth at two of them.
        let level = |t: usize| match STROKES.iter().position(|s| (s - 1..s + 20).contains(&t)) {
            Some(0 | 3) => 1.05e-6,
            Some(_) => 0.9e-6,
            None => 1e-6,
        };
        let noise = Bands::from_rows((0..700).map(|t| [level(t); BANDS]).collect());
        let elsewhere = Elsewhere::learn(&main, &[&noise], &STROKES).unwrap();
        assert!(STROKES.iter().all(|&t| elsewhere.louder(t) < 1.0));
    }

    #[test]
    fn without_other_mics_or_strokes_there_is_no_elsewhere() {
        let (main, kit) = two_mics(1.0, 1.0);
        assert!(Elsewhere::learn(&main, &[], &STROKES).is_none());
        assert!(Elsewhere::learn(&main, &[&kit], &[]).is_none());
    }
}
