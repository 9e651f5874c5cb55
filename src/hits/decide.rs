//! Own stroke or bleed: the decision on every candidate.
//!
//! In: a [`Survey`]. Out: the log-odds that each candidate is the drum's own stroke, and which are kept.

use super::apart::{Loudness, PROMINENT, apart};
use super::attack::median;
use super::judge::{SHAPE, total_level};
use super::model::Model;
use super::others::Others;
use super::pick::threshold;
use super::survey::{Survey, Witness};
use crate::song::Drum;

/// Log-odds above which a candidate is sure enough to teach the second round what this drum sounds like.
const SURE: f32 = 2.0;
/// Log-odds below which a first impression stays: no closer look makes a stroke of it.
const SETTLED: f32 = -6.0;
/// Fewest that are, and how far in log-odds below the likely ones all else lies where there are fewer.
const FEWEST_SURE: usize = 4;
const APART: f32 = 3.0;
/// Novelty, dB, that bleed does not reach: once mics of two other kinds at least have explained their share; in a kick's
/// mic, which little else reaches, once one other has; and in a kick's mic alone. In a snare's mic the hat stands as high
/// as any stroke if nobody explains it.
const CLEAR: f32 = 10.0;
const CLEAR_OF_ONE: f32 = 13.0;
const CLEAR_ALONE: f32 = 16.5;
/// Log-odds, whatever the prior says, of what stands [`CLEAR`] once mics of the whole kit have explained their share.
const PROVEN: f32 = 3.0;
/// Share of such strokes' height above which the height then decides.
const MOST_OF_CLEAR: f32 = 0.7;
/// Log-odds from which the prior owns what stands so clear; of a drum that it knows it is surer by far.
const OWNED: f32 = 1.0;
/// Fewest clear strokes that may put the prior in doubt.
const FEWEST: usize = 3;
/// Farthest log-odds that the height alone may give: it is a poorer witness than the prior.
const MOST_BY_HEIGHT: f32 = 3.0;
/// Log-odds that the likeliest strokes of a drum that is struck reach, and how many likelier ones are left out.
pub(super) const UNMISTAKABLE: f32 = 3.5;
const LIKELIEST: usize = 5;
/// Log-odds that the only stroke of a take reaches, and how far below it everything then lies but for one sound at most.
const SINGLE: f32 = 3.0;
const SINGLE_APART: f32 = 3.5;
/// Most log-odds that the lack of such strokes takes: a drum that is struck but once or twice keeps its strokes.
const MOST_SOBERED: f32 = 2.0;
/// Fewest sure strokes, and fewest sure bleed, whose likenesses mean anything.
const FEWEST_LIKE: usize = 8;
const FEWEST_UNLIKE: usize = 20;
/// Likeness of bleed where too little of it is sure.
const BLEED: Spread = Spread { middle: 0.5, width: 0.12 };
/// Least width of a distribution of likenesses: real strokes differ more than a sampled drum's.
const LEAST_WIDTH: f32 = 0.1;
/// Most log-odds that likeness may take.
const MOST_BY_UNLIKENESS: f32 = 2.0;
/// Most log-odds that likeness may add.
pub const MOST_BY_LIKENESS: f32 = 3.0;
/// The same of a snare with nothing but its mic, in which hats are as like its strokes.
pub const MOST_BY_LIKENESS_ALONE: f32 = 2.0;
/// Most log-odds that likeness and shape together take.
const MOST_BY_BOTH: f32 = 3.5;
/// Log-odds above which the prior cannot tell; novelty, dB, that is far above what was there; and the log-odds of what is kept for that.
const CANNOT_TELL: f32 = -1.0;
/// See [`CANNOT_TELL`].
const FAR_ABOVE: f32 = 15.0;
/// See [`CANNOT_TELL`].
const DOUBTFUL: f32 = 0.5;
/// Log-odds of strokes and bleed that tell how loud either is, fewest such strokes, and novelty from which bleed stands out, dB.
const SURE_OF_LEVEL: f32 = 3.0;
/// See [`SURE_OF_LEVEL`].
const FEWEST_OF_LEVEL: usize = 6;
/// See [`SURE_OF_LEVEL`].
const STANDS_OUT: f32 = 3.0;
/// Under the middle of the sure strokes what is so much softer is as loud, dB.
const NEARLY_AS_LOUD: f32 = 3.0;
/// Candidates that are looked at together: what is said of them stays in the processor's caches until it is weighed.
const TOGETHER: usize = 64;
/// Two candidates closer than this many frames (10.7 ms) are one stroke; the likelier is kept.
const ONE_STROKE: usize = 8;

/// A first opinion of every candidate, in the order of `survey.candidates`.
pub struct Opinion {
    /// Log-odds that it is the drum's own stroke, natural logarithm.
    pub odds: Vec<f32>,
    /// Its shape; of a snare only, for of other drums nobody asks.
    pub shapes: Vec<[f32; SHAPE]>,
}

/// What the prior makes of every candidate.
///
/// Where the prior disowns what stands clear of all bleed, it meets a sound that it knows nothing of, and the height of
/// the novelty decides alone.
///
/// A few sounds far louder than all else ([`apart`]) gain by that in either round.
///
/// Two rounds: the first compares every candidate with the strokes that are sure at sight, the second those that may be
/// strokes with the ones that the first found sure, so that a wrong first impression does not stay.
#[must_use]
pub fn first_opinion(survey: &Survey, drum: Drum) -> Opinion {
    let (model, count) = (Model::of(drum), survey.candidates.len());
    let witness = |sure: &[usize]| survey.witness(sure, model.asks_elsewhere());
    let weigh = |witness: &Witness, asked: &[usize], odds: &mut [f32]| {
        let mut some = Vec::with_capacity(TOGETHER.min(asked.len()));
        for asked in asked.chunks(TOGETHER) {
            some.clear();
            some.extend(asked.iter().map(|&i| witness.features(i)));
            asked.iter().zip(model.log_odds(&some)).for_each(|(&i, weighed)| odds[i] = weighed);
        }
    };
    // Shapes take the most room, and those of one round are enough.
    let shapes = |witness: &Witness| -> Vec<[f32; SHAPE]> {
        if drum == Drum::Snare { (0..count).map(|i| witness.shape(i)).collect() } else { Vec::new() }
    };
    let at_sight = survey.sure_at_sight();
    let alone = survey.others == Others::None && drum == Drum::Snare;
    let apart = few_far_louder(survey, alone);
    let weigh = |witness: &Witness, asked: &[usize], odds: &mut [f32]| {
        weigh(witness, asked, odds);
        let gains = apart.iter().flat_map(|gains| asked.iter().map(|&i| (i, gains[i])));
        gains.for_each(|(i, gain)| odds[i] += gain);
    };
    let mut odds = vec![0.0; count];
    let Some(first) = witness(&at_sight) else { return Opinion { odds, shapes: Vec::new() } };
    weigh(&first, &(0..count).collect::<Vec<_>>(), &mut odds);
    if let Some(cut) = overruled(survey, drum, &at_sight, &odds) {
        let by_height = |h: &f32| (h - cut).clamp(-MOST_BY_HEIGHT, MOST_BY_HEIGHT);
        return Opinion { odds: survey.heights.iter().map(by_height).collect(), shapes: shapes(&first) };
    }
    let least = sure_from(&odds);
    let sure: Vec<usize> =
        survey.candidates.iter().zip(&odds).filter(|(_, odds)| **odds > least).map(|(&t, _)| t).collect();
    let second = if sure.is_empty() { None } else { witness(&loud_ones(survey, &sure)) };
    if let Some(second) = &second {
        let doubtful: Vec<usize> = (0..count).filter(|&i| odds[i] >= SETTLED).collect();
        weigh(second, &doubtful, &mut odds);
    }
    let mut opinion = Opinion { odds, shapes: shapes(second.as_ref().unwrap_or(&first)) };
    // What stands clear of all bleed needs no more; and a snare's mic alone may hold a drum that the prior hardly knows, with
    // nothing to vouch for it, unless it is plain that a kit sounds there.
    let needs = if alone { mostly_bleed(&survey.plain, &opinion.odds) } else { !stands_clear(survey, drum, &at_sight) };
    if needs {
        sobered(&mut opinion.odds, |i| apart.as_ref().is_some_and(|gains| gains[i] > 0.0));
    }
    proven((survey.others, drum), &survey.heights, &mut opinion.odds);
    opinion
}

/// See [`apart`]. The crowd loses only in a snare's mic `alone`, where nobody else tells of hats; in a kick's it may be feathered.
fn few_far_louder(survey: &Survey, alone: bool) -> Option<Vec<f32>> {
    let main = survey.power.first()?;
    let heights = survey.plain.iter().zip(&survey.heights);
    let of = |(&t, (&plain, &height))| Loudness { level: total_level(main, t), plain, height };
    let candidates: Vec<Loudness> = survey.candidates.iter().zip(heights).map(of).collect();
    apart(&candidates, alone)
}

/// Whether less than half of what stands out in a mic (its `plain` novelty, dB) is likely the drum's own.
fn mostly_bleed(plain: &[f32], odds: &[f32]) -> bool {
    let prominent = || odds.iter().zip(plain).filter(|(_, plain)| **plain >= PROMINENT);
    2 * prominent().filter(|(odds, _)| **odds > 0.0).count() < prominent().count()
}

/// What stands so high in a kick's mic above all that mics of the whole kit have explained is a kick, however little it sounds
/// like one: a second pedal, a hard beater, a pillow. Of a snare that is not so: a tom that has no mic stands as high.
fn proven(mics: (Others, Drum), heights: &[f32], odds: &mut [f32]) {
    if mics == (Others::WholeKit, Drum::Kick) {
        let high = odds.iter_mut().zip(heights).filter(|(_, height)| **height >= CLEAR);
        high.for_each(|(odds, _)| *odds = odds.max(PROVEN));
    }
}

/// Log-odds above which candidates are sure enough to be compared with: [`SURE`] where four are; of a drum that is struck
/// less often, those that are likely, if nothing comes near them. None are above infinity.
fn sure_from(odds: &[f32]) -> f32 {
    let between = odds.iter().any(|o| (-APART..=0.0).contains(o));
    match odds.iter().filter(|o| **o > SURE).count() {
        FEWEST_SURE.. => SURE,
        _ if between => f32::INFINITY,
        _ => 0.0,
    }
}

/// Whether what is sure at sight stands higher than bleed does.
fn stands_clear(survey: &Survey, drum: Drum, at_sight: &[usize]) -> bool {
    let Some(least) = clear_of_bleed(survey.others, drum) else { return false };
    let sure = survey.candidates.iter().zip(&survey.heights).filter(|(t, _)| at_sight.binary_search(t).is_ok());
    let mut heights: Vec<f32> = sure.map(|(_, height)| *height).collect();
    heights.len() >= FEWEST && median(&mut heights) >= least
}

/// Novelty, dB, that bleed does not reach; `None` where it may reach any.
fn clear_of_bleed(others: Others, drum: Drum) -> Option<f32> {
    match (others, drum) {
        (Others::Kit | Others::WholeKit, _) => Some(CLEAR),
        (Others::OneDrum, Drum::Kick) => Some(CLEAR_OF_ONE),
        (Others::None, Drum::Kick) => Some(CLEAR_ALONE),
        _ => None,
    }
}

/// A drum that is struck is unmistakable now and then; where not even the likeliest candidates are, all are most likely
/// bleed that has something of it. What the sixth likeliest lacks of [`UNMISTAKABLE`] is taken from all, at most
/// [`MOST_SOBERED`]: where there are no six strokes in the stretch, the few still stand far above what bleed makes of itself.
/// Those that are `spared` stand [`apart`] from it anyway.
fn sobered(odds: &mut [f32], spared: impl Fn(usize) -> bool) {
    let mut sorted = odds.to_vec();
    sorted.sort_unstable_by(|a, b| b.total_cmp(a));
    let sixth = sorted.get(LIKELIEST).copied().unwrap_or(f32::MIN);
    let lacks = (UNMISTAKABLE - sixth).clamp(0.0, MOST_SOBERED);
    odds.iter_mut().enumerate().filter(|(i, _)| !spared(*i)).for_each(|(_, odds)| *odds -= lacks);
}

/// The height that decides where the prior disowns the drum; `None` where it does not.
fn overruled(survey: &Survey, drum: Drum, at_sight: &[usize], odds: &[f32]) -> Option<f32> {
    if knows(odds) {
        return None;
    }
    let seen: Vec<(f32, f32)> = survey
        .candidates
        .iter()
        .zip(survey.heights.iter().zip(odds))
        .filter(|(t, _)| at_sight.binary_search(t).is_ok())
        .map(|(_, (&height, &odds))| (height, odds))
        .collect();
    let owned = odds.iter().filter(|o| **o > 0.0).count();
    let middle = disowned(survey.others, drum, &seen, owned)?;
    Some(if survey.others.hear_the_kit() { threshold(&survey.heights) } else { MOST_OF_CLEAR * middle })
}

/// Whether the prior knows the drum: it finds unmistakable strokes, two at least, or a single one that no more than one other
/// sound comes near. Then what else stands high is bleed, however rare the strokes are.
fn knows(odds: &[f32]) -> bool {
    let mut highest = [f32::MIN; 3];
    for &o in odds {
        let place = highest.partition_point(|&h| h >= o);
        if let Some(lower) = highest.get_mut(place..).filter(|lower| !lower.is_empty()) {
            lower.rotate_right(1);
            lower[0] = o;
        }
    }
    let [first, second, third] = highest;
    second >= UNMISTAKABLE || (first >= SINGLE && first - third >= SINGLE_APART)
}

/// Whether the prior calls bleed what stands clear of all bleed, or cannot tell: most strokes that are sure at sight
/// (`seen`: novelty in dB and log-odds of each) or, where only one other drum's mic or none bears witness, nearly
/// everything in a kick's mic, `owned` being all that it owns. Gives the middle height of what it disowns.
fn disowned(others: Others, drum: Drum, seen: &[(f32, f32)], owned: usize) -> Option<f32> {
    if seen.len() < FEWEST || 4 * seen.iter().filter(|(_, odds)| *odds > OWNED).count() >= seen.len() {
        return None;
    }
    let least = clear_of_bleed(others, drum).filter(|_| others.hear_the_kit() || owned < FEWEST)?;
    let mut heights: Vec<f32> = seen.iter().map(|(height, _)| *height).collect();
    Some(median(&mut heights)).filter(|middle| *middle >= least)
}

/// The louder half of the sure strokes.
fn loud_ones(survey: &Survey, sure: &[usize]) -> Vec<usize> {
    let Some(main) = survey.power.first() else { return Vec::new() };
    let levels: Vec<f32> = sure.iter().map(|&t| total_level(main, t)).collect();
    let mut sorted = levels.clone();
    sorted.sort_unstable_by(f32::total_cmp);
    let middle = sorted[sorted.len() / 2];
    sure.iter().zip(&levels).filter(|(_, l)| **l >= middle).map(|(&t, _)| t).collect()
}

/// Log-odds of every candidate once its likeness to the take's own clear strokes is weighed in: this drum, this mic and
/// this hand, not drums at large.
///
/// The likenesses of the strokes that are sure and of the bleed that is sure give two normal distributions (median, and
/// 1.4826 times the median absolute deviation, at least 0.1); half the logarithm of their ratio at a candidate's likeness
/// is added, at most `most`, or taken, at most 2. Nothing is added beyond the medians' own, nor where fewer than eight strokes
/// are sure.
#[must_use]
pub fn adapted(odds: &[f32], likeness: &[Option<f32>], most: f32) -> Vec<f32> {
    let of = |wanted: fn(f32) -> bool| -> Vec<f32> {
        odds.iter().zip(likeness).filter(|(o, _)| wanted(**o)).filter_map(|(_, l)| *l).collect()
    };
    let own = of(|o| o > SURE);
    if own.len() < FEWEST_LIKE {
        return odds.to_vec();
    }
    let own = Spread::of(own, LEAST_WIDTH);
    let bleed = of(|o| o < -SURE);
    let bleed = if bleed.len() < FEWEST_UNLIKE { BLEED } else { Spread::of(bleed, LEAST_WIDTH) };
    let low = bleed.middle.min(own.middle);
    odds.iter()
        .zip(likeness)
        .map(|(&odds, like)| {
            let Some(like) = like.map(|l| l.clamp(low, own.middle)) else { return odds };
            odds + (0.5 * (own.log_density(like) - bleed.log_density(like))).clamp(-MOST_BY_UNLIKENESS, most)
        })
        .collect()
}

/// Keeps what likeness and shape together take from the log-odds of the `first` opinion at 3.5: they know only what is played most in
/// this take, and where that is the rim, strokes on the head have neither.
pub fn hold(odds: &mut [f32], first: &[f32]) {
    odds.iter_mut().zip(first).for_each(|(odds, first)| *odds = odds.max(first - MOST_BY_BOTH));
}

/// Takes back what was taken in the second look from sounds of a snare that are as loud as it: `odds` after it, `first` before. With one other
/// drum's mic at most nothing better tells a stroke on the rim, which is unlike those on the head, from bleed; but no bleed is as loud
/// as the drum in its own mic, and stands out as far. So what the prior could not tell, within 3 dB of the middle of the sure strokes,
/// above nearly all that is surely bleed, and 15 dB above what was there, comes out likelier than not, and doubtful.
pub fn keep_the_loud(survey: &Survey, drum: Drum, first: &[f32], odds: &mut [f32]) {
    let (Some(main), Drum::Snare, Others::None | Others::OneDrum) = (survey.power.first(), drum, survey.others) else {
        return;
    };
    let levels: Vec<f32> = survey.candidates.iter().map(|&t| total_level(main, t)).collect();
    let Some(least) = as_loud_as_the_drum(&levels, &survey.plain, first) else { return };
    for (i, odds) in odds.iter_mut().enumerate() {
        if first[i] > CANNOT_TELL && survey.heights[i] >= FAR_ABOVE && levels[i] >= least {
            *odds = odds.max(DOUBTFUL);
        }
    }
}

/// Level from which a sound is as loud as the drum: 3 dB under the middle of its sure strokes and above 99 in 100 sounds that are surely
/// bleed and stand out at all. `None` where six strokes are not sure.
fn as_loud_as_the_drum(levels: &[f32], plain: &[f32], odds: &[f32]) -> Option<f32> {
    let of = |wanted: &dyn Fn(usize) -> bool| -> Vec<f32> {
        (0..levels.len()).filter(|&i| wanted(i)).map(|i| levels[i]).collect()
    };
    let mut sure = of(&|i| odds[i] > SURE_OF_LEVEL);
    if sure.len() < FEWEST_OF_LEVEL {
        return None;
    }
    let mut bleed = of(&|i| odds[i] < -SURE_OF_LEVEL && plain[i] > STANDS_OUT);
    bleed.sort_unstable_by(f32::total_cmp);
    let loudest = bleed.get(bleed.len().saturating_sub(1) * 99 / 100).copied().unwrap_or(f32::MIN);
    Some((median(&mut sure) - NEARLY_AS_LOUD).max(loudest))
}

/// How sure log-odds of 0 and more make it that a candidate is the drum's own, 0.5..=1.
///
/// The prior is surer of itself than it is right, so its log-odds x count as 0.45·x + 0.05·x²: fitted by hand to the
/// share of right hits on the development sessions and on rendered ones (`tests/accuracy/calibration.py`). Where no
/// other mic bears witness they count for 0.85 of that.
#[must_use]
pub fn certainty(odds: f32, others: Others) -> f64 {
    let witnessed = if others == Others::None { 0.85 } else { 1.0 };
    let x = witnessed * f64::from(odds).max(0.0);
    1.0 / (1.0 + (-0.45 * x - 0.05 * x * x).exp())
}

/// A normal distribution, robustly fitted.
pub(super) struct Spread {
    /// Median.
    pub(super) middle: f32,
    width: f32,
}

impl Spread {
    /// Median and 1.4826 times the median absolute deviation, at least `least`.
    pub(super) fn of(mut values: Vec<f32>, least: f32) -> Self {
        let middle = median(&mut values);
        values.iter_mut().for_each(|v| *v = (*v - middle).abs());
        Self { middle, width: (1.4826 * median(&mut values)).max(least) }
    }

    /// Logarithm of the density, less a constant.
    pub(super) fn log_density(&self, x: f32) -> f32 {
        let z = (x - self.middle) / self.width;
        -0.5 * z * z - self.width.ln()
    }
}

/// Indices of the candidates that are kept: those likelier than not whose novelty reaches `threshold` dB, and of
/// several within 10 ms the likeliest.
#[must_use]
pub fn kept(survey: &Survey, odds: &[f32], threshold: f32) -> Vec<usize> {
    let mut order: Vec<usize> =
        (0..odds.len()).filter(|&i| odds[i] > 0.0 && survey.heights[i].max(survey.plain[i]) >= threshold).collect();
    order.sort_by(|&a, &b| odds[b].total_cmp(&odds[a]).then(a.cmp(&b)));
    let mut taken: Vec<usize> = Vec::new();
    for i in order {
        let t = survey.candidates[i];
        let at = taken.partition_point(|&j| survey.candidates[j] < t);
        let near = |j: Option<&usize>| j.is_some_and(|&j| survey.candidates[j].abs_diff(t) <= ONE_STROKE);
        if !near(taken.get(at)) && !near(at.checked_sub(1).and_then(|k| taken.get(k))) {
            taken.insert(at, i);
        }
    }
    taken
}

#[cfg(test)]
mod tests {
    use super::*;

    fn take(doubtful: f32) -> (Vec<f32>, Vec<Option<f32>>) {
        let mut odds = vec![6.0; 20];
        let mut like = vec![Some(0.95); 20];
        odds.extend([-5.0; 30]);
        like.extend([Some(0.5); 30]);
        odds.push(0.2);
        like.push(Some(doubtful));
        (odds, like)
    }

    #[test]
    fn a_doubtful_stroke_that_is_like_the_sure_ones_gains_and_one_like_the_bleed_loses() {
        let of = |doubtful, most| {
            let (odds, like) = take(doubtful);
            adapted(&odds, &like, most)[50]
        };
        assert_eq!((of(0.97, MOST_BY_LIKENESS), of(0.45, MOST_BY_LIKENESS)), (3.2, -1.8));
        assert_eq!((of(0.97, MOST_BY_LIKENESS_ALONE), of(0.45, MOST_BY_LIKENESS_ALONE)), (2.2, -1.8));
        assert!(of(0.7, MOST_BY_LIKENESS) < of(0.75, MOST_BY_LIKENESS));
        assert!(of(0.75, MOST_BY_LIKENESS) < of(0.8, MOST_BY_LIKENESS));
    }

    #[test]
    fn what_stands_clear_of_all_bleed_is_the_drum_whatever_the_prior_says() {
        let of = |height: f32, odds: f32| vec![(height, odds); 20];
        use Others::{Kit, None as Nobody, OneDrum};
        // What the kit leaves of bleed stands 6 to 9 dB high, what one other mic leaves in a kick's 8 to 10, and bleed in a
        // kick's mic alone up to 16: rendered takes in which the drum is never struck (`docs/finder-notes.md`).
        assert_eq!(disowned(Kit, Drum::Snare, &of(13.0, -2.0), 0), Some(13.0));
        assert_eq!(disowned(Kit, Drum::Kick, &of(8.7, -5.0), 0), None);
        assert_eq!(disowned(OneDrum, Drum::Kick, &of(17.0, -2.0), 0), Some(17.0));
        assert_eq!(disowned(OneDrum, Drum::Kick, &of(10.0, -4.0), 0), None);
        assert_eq!(disowned(Nobody, Drum::Kick, &of(17.9, -2.0), 0), Some(17.9));
        assert_eq!(disowned(Nobody, Drum::Kick, &of(16.0, -4.0), 0), None);
        // In a snare's mic the hat stands as high, and where the prior owns strokes it knows the drum.
        assert_eq!(disowned(Nobody, Drum::Snare, &of(19.0, -4.0), 0), None);
        assert_eq!(disowned(OneDrum, Drum::Kick, &of(17.0, -2.0), 9), None);
        assert_eq!(disowned(Kit, Drum::Snare, &of(13.0, 2.0), 20), None);
        // Now a little more likely, now a little less: it cannot tell.
        let undecided: Vec<(f32, f32)> = (0..20).map(|k| (20.0, if k % 2 == 0 { 0.3 } else { -0.3 })).collect();
        assert_eq!(disowned(Kit, Drum::Snare, &undecided, 10), Some(20.0));
    }

    #[test]
    fn what_no_other_mic_explains_is_a_kick_however_odd_it_sounds() {
        use Others::{Kit, WholeKit};
        let of = |others: Others, drum: Drum, height: f32, before: f32| {
            let mut odds = [before];
            proven((others, drum), &[height], &mut odds);
            odds[0]
        };
        assert_eq!((of(WholeKit, Drum::Kick, 12.0, -6.0), of(WholeKit, Drum::Kick, 12.0, 7.0)), (PROVEN, 7.0));
        assert_eq!((of(Kit, Drum::Kick, 12.0, -6.0), of(WholeKit, Drum::Kick, 9.0, -6.0)), (-6.0, -6.0));
        assert_eq!(of(WholeKit, Drum::Snare, 12.0, -6.0), -6.0);
    }

    #[test]
    fn certainty_grows_with_the_odds_and_is_less_where_no_other_mic_bears_witness() {
        for k in 0..80 {
            let (odds, more) = (0.1 * k as f32, 0.1 * (k + 1) as f32);
            for others in [Others::None, Others::OneDrum, Others::Kit, Others::WholeKit] {
                assert!(
                    (0.5..1.0).contains(&certainty(odds, others)) && certainty(more, others) > certainty(odds, others)
                );
            }
            assert!(certainty(more, Others::None) < certainty(more, Others::OneDrum));
        }
    }

    #[test]
    fn the_prior_knows_a_drum_by_two_unmistakable_strokes_or_by_one_that_stands_alone() {
        assert!(knows(&[[5.0; 2].as_slice(), &[1.0; 9], &[-3.0; 90]].concat()));
        assert!(knows(&[[5.0].as_slice(), &[-0.1; 90]].concat()));
        assert!(knows(&[[5.0].as_slice(), &[0.4], &[-3.0; 90]].concat()));
        assert!(knows(&[[3.1].as_slice(), &[1.4], &[-3.0; 90]].concat()));
        assert!(!knows(&[[3.4].as_slice(), &[1.4, 1.6], &[-3.0; 90]].concat()));
        assert!(!knows(&[[2.9].as_slice(), &[-4.0; 90]].concat()));
        assert!(!knows(&[3.4; 9]) && !knows(&[]));
    }

    #[test]
    fn a_few_likely_strokes_are_compared_with_if_nothing_comes_near_them() {
        assert_eq!(sure_from(&[[5.0; 4].as_slice(), &[1.0; 9], &[-1.0; 90]].concat()), SURE);
        assert_eq!(sure_from(&[[2.7, 1.8].as_slice(), &[-4.9; 90]].concat()), 0.0);
        assert_eq!(sure_from(&[[2.7, 1.8].as_slice(), &[-0.2], &[-4.9; 90]].concat()), f32::INFINITY);
    }

    #[test]
    fn a_drum_of_which_nothing_is_unmistakable_is_doubted_whole() {
        let sober = |mut odds: Vec<f32>| {
            sobered(&mut odds, |_| false);
            odds
        };
        // Bleed that has something of a stroke, again and again: nothing of it is left.
        assert!(sober(vec![0.8; 500]).iter().all(|o| *o < 0.0));
        // A drum with six sure strokes keeps its doubtful ones as they are.
        let struck: Vec<f32> = [vec![6.0; 6], vec![0.3; 300]].concat();
        assert_eq!(sober(struck.clone()), struck);
        assert_eq!(sober(Vec::new()), Vec::<f32>::new());
        // What stands apart keeps what it has.
        let mut few = [vec![0.5; 3], vec![-1.0; 90]].concat();
        sobered(&mut few, |i| i < 3);
        assert_eq!((few[0], few[3]), (0.5, -3.0));
        // One with three is no less struck, and of one stroke alone there is nothing to doubt.
        assert!(sober([vec![6.0; 3], vec![-5.0; 300]].concat())[..3].iter().all(|o| *o > 3.0));
        assert!(sober(vec![6.0])[0] > 3.0);
    }

    #[test]
    fn as_loud_as_the_drum_is_what_no_bleed_comes_near() {
        // Strokes about −10 dB, hats up to −16, and one tom at −12.
        let strokes = (0..20).map(|k| (-11.0 + 0.1 * k as f32, 20.0, 5.0));
        let hats = (0..300).map(|k| (-30.0 + 14.0 * k as f32 / 299.0, 12.0, -5.0));
        let of = |take: Vec<(f32, f32, f32)>| {
            let column = |c: fn(&(f32, f32, f32)) -> f32| take.iter().map(c).collect::<Vec<f32>>();
            as_loud_as_the_drum(&column(|s| s.0), &column(|s| s.1), &column(|s| s.2))
        };
        let least = of(strokes.clone().chain(hats.clone()).chain([(-12.0, 15.0, -6.0)]).collect()).unwrap();
        assert!((-13.1..-12.9).contains(&least), "{least}");
        // Where bleed is as loud, it has to be louder still.
        let least = of(strokes.clone().chain(hats.clone().map(|(l, p, o)| (l + 8.0, p, o))).collect()).unwrap();
        assert!(least > -9.0, "{least}");
        assert_eq!(of(strokes.take(5).chain(hats).collect()), None, "five strokes are too few to tell");
    }

    #[test]
    fn a_snare_recorded_by_itself_is_told_from_a_kit_in_its_mic() {
        // Eight strokes that the prior hardly knows, their wires and the room behind them.
        let alone = [vec![(18.0, 0.4); 8], vec![(3.0, -6.0); 40]].concat();
        // Hats that it half takes for a snare, and those that it does not.
        let kit = [vec![(14.0, 1.0); 80], vec![(13.0, -4.0); 200]].concat();
        let of = |take: Vec<(f32, f32)>| {
            let (plain, odds): (Vec<f32>, Vec<f32>) = take.into_iter().unzip();
            mostly_bleed(&plain, &odds)
        };
        assert!(!of(alone) && of(kit) && !of(Vec::new()));
    }

    #[test]
    fn a_stroke_that_the_prior_is_sure_of_stays_though_it_is_neither_like_the_others_nor_of_their_shape() {
        // Two log-odds for either; the last is both like them and of their shape.
        let first = [4.2, 3.2, -1.0, 1.0];
        let mut odds = [0.2, -0.8, -5.0, 6.0];
        hold(&mut odds, &first);
        assert!((odds[0] - 0.7).abs() < 1e-6 && odds[1] < 0.0, "{odds:?}");
        assert!((odds[2] + 4.5).abs() < 1e-6 && odds[3] == 6.0, "{odds:?}");
    }

    #[test]
    fn without_sure_strokes_or_likeness_nothing_changes() {
        let (odds, like) = take(0.9);
        assert_eq!(adapted(&odds, &vec![None; odds.len()], MOST_BY_LIKENESS), odds);
        assert_eq!(adapted(&odds[15..], &like[15..], MOST_BY_LIKENESS), &odds[15..]);
    }
}
