//! The whole way from a song's mics to its hit list.

use super::bands::Framing;
use super::contrast::{contrast, spare_alike};
use super::decide::{
    MOST_BY_LIKENESS, MOST_BY_LIKENESS_ALONE, Opinion, UNMISTAKABLE, adapted, certainty, first_opinion, hold,
    keep_the_loud, kept,
};
use super::echo::{Sound, echoes};
use super::edge::{STRUCK, benefit};
use super::evidence::{Columns, Evidence, Outline, highest};
use super::freed;
use super::hit::DOUBTFUL_BELOW;
use super::kind::kinds;
use super::measure::{Glass, Lesson};
use super::other_drum::late_bleed;
use super::other_way::spare_another_way;
use super::others::Others;
use super::strength;
use super::survey::Survey;
use super::take::{BLOCK, Stretch, Watcher, own_mics, stretches};
use super::valley::valley;
use super::{Hit, HitList, State, velocities};
use crate::audio::MonoReader;
use crate::error::{Located, Result};
use crate::finding::Finding;
use crate::progress::Progress;
use crate::song::{Drum, Mic, MicSettings, SheetFault, Song};
use crate::units::{Dbfs, SamplePos, SampleRate, Seconds};
use rayon::prelude::*;
use serde::Serialize;

/// Novelty below which nothing is taken for a stroke, dB, unless the user sets another.
pub const THRESHOLD: f64 = 0.5;
/// Quietest stroke that counts unless the user sets another.
pub const FLOOR: Dbfs = Dbfs(-70.0);
/// Least time between two strokes of a drum unless the user sets another, ms.
pub const MIN_GAP_MS: f64 = 15.0;

/// Log-odds from which a candidate's own samples are looked at.
const WORTH_A_LOOK: f32 = -5.0;
/// Most of a snare's candidates below that that are looked at all the same, for what bleed is like: those just above it may be
/// strokes that the prior does not know.
const LOOKED_AT_FOR_BLEED: usize = 128;
/// Log-odds above which a snare's candidate that is unlike the take's clear strokes is looked at more closely.
const WORTH_ANOTHER_LOOK: f32 = -2.0;
/// Strokes of which no more than one in so many are other ones teach the same.
const OTHERS: usize = 10;
/// How far two stretches may disagree on when a stroke at their seam begins.
const SEAM: Seconds = Seconds(0.002);

/// The outcome of a search.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Found {
    /// The hits of every drum.
    pub list: HitList,
    /// What was seen, one entry for each drum that has a close mic.
    pub evidence: Vec<Evidence>,
    /// Things to look at (clipping, silence, no strokes, ...).
    pub findings: Vec<Finding>,
}

/// A stroke before its strength is put against the others'.
#[derive(Clone, Copy)]
struct Stroke {
    pos: u64,
    peak: Dbfs,
    certainty: f64,
    /// Its peak without what other mics tell of bleed: what rings or bleeds is as regular as it was recorded.
    recorded: Dbfs,
}

/// Sounds that were left out, some of which were as sure as strokes.
struct LeftOut {
    count: usize,
    /// How long after a stroke, the middle one of them.
    delay: Seconds,
    /// Of which drum the stroke is.
    after: Drum,
}

impl LeftOut {
    fn finding(&self, mic: &Mic, drum: Drum) -> Finding {
        let (count, ms, after) = (self.count, self.delay.ms(), self.after);
        let what = if after == drum {
            format!(
                "{count} sounds {ms:.0} ms after a {drum} stroke are all as late and as far under it: taken for the drum's own ring and left out"
            )
        } else {
            format!(
                "{count} sounds {ms:.1} ms after a {after} stroke are all as late: taken for the {after}'s bleed and left out"
            )
        };
        let remedy = "Listen there; if they were played, add them to hits.csv, each with its time.";
        Finding { remedy: remedy.to_owned(), ..Finding::note(&mic.info.path, what) }
    }
}

/// A drum being searched for.
struct Search {
    drum: Drum,
    own: Vec<usize>,
    settings: MicSettings,
    strokes: Vec<Stroke>,
    novelty: Vec<f32>,
}

impl Search {
    fn threshold(&self) -> f32 {
        self.settings.threshold.unwrap_or(THRESHOLD) as f32
    }

    fn floor(&self) -> Dbfs {
        self.settings.floor.unwrap_or(FLOOR)
    }

    /// Puts the strokes in order; of two that are closer than the least gap the surer stays.
    fn keep_apart(&mut self, rate: SampleRate) {
        let gap = rate.samples(self.min_gap());
        self.strokes.sort_by_key(|stroke| stroke.pos);
        self.strokes.dedup_by(|next, last| {
            let close = next.pos - last.pos < gap;
            if close && next.certainty > last.certainty {
                *last = *next;
            }
            close
        });
    }

    fn sounds(&self, rate: SampleRate) -> Vec<Sound> {
        let sound = |s: &Stroke| Sound { time: SamplePos(s.pos).at(rate), peak: s.recorded, certainty: s.certainty };
        self.strokes.iter().map(sound).collect()
    }

    /// Leaves out strokes for which it is known how `late` they come after one of the drum `after`. If any of them passed for
    /// a sure stroke, it is said how many there were and how late: no list shows them.
    fn leave_out(&mut self, late: &[Option<Seconds>], after: Drum) -> Option<LeftOut> {
        let left = || self.strokes.iter().zip(late).filter_map(|(stroke, late)| late.map(|late| (stroke, late.0)));
        let any_sure = left().any(|(stroke, _)| stroke.certainty >= DOUBTFUL_BELOW);
        let mut delays: Vec<f64> = left().map(|(_, late)| late).collect();
        let mut keep = late.iter().map(Option::is_none);
        self.strokes.retain(|_| keep.next().unwrap_or(true));
        delays.sort_unstable_by(f64::total_cmp);
        let middle = *delays.get(delays.len() / 2)?;
        any_sure.then_some(LeftOut { count: delays.len(), delay: Seconds(middle), after })
    }

    fn min_gap(&self) -> Seconds {
        Seconds::from_ms(self.settings.min_gap_ms.unwrap_or(MIN_GAP_MS))
    }

    fn evidence(self, mic: &Mic, columns: Columns, outline: Outline, rate: SampleRate) -> Evidence {
        Evidence {
            drum: self.drum,
            mic: mic.name.clone(),
            step: SamplePos(columns.width).at(rate),
            low: outline.low,
            high: outline.high,
            threshold: vec![self.threshold(); columns.count],
            floor: self.floor(),
            min_gap: self.min_gap(),
            novelty: self.novelty,
        }
    }
}

/// Finds every kick and snare stroke of a song's take. Hits carry no grid place yet.
///
/// # Errors
/// [`Error::Audio`](crate::Error::Audio) when a mic cannot be read to its end; [`Error::Sheet`](crate::Error::Sheet) when no
/// mic is a close mic of kick or snare.
pub fn find(song: &Song, progress: &dyn Progress) -> Result<Found> {
    let rate = song.rate();
    let framing = Framing::new(rate);
    let samples = song.mics.iter().map(|m| m.info.frames).max().unwrap_or(0);
    let columns = Columns::new(samples, rate);
    let mut searches = searches(song, columns)?;
    let outline = |i: usize| searches.iter().any(|s| s.own[0] == i).then(|| Outline::new(columns));
    let mut watchers: Vec<Watcher> =
        song.mics.iter().enumerate().map(|(i, mic)| Watcher::new(mic, outline(i))).collect();
    progress.begin("listening", samples * song.mics.len() as u64);
    for range in stretches(samples, song.mics.len(), framing) {
        let stretch = Stretch::read(&song.mics, range, samples, framing, &mut watchers, progress)?;
        let (first, second) = searches.split_at_mut(1);
        let (a, b) = rayon::join(
            || first.iter_mut().try_for_each(|s| search(song, &stretch, s, framing, columns)),
            || second.iter_mut().try_for_each(|s| search(song, &stretch, s, framing, columns)),
        );
        a.and(b)?;
        stretch.clear(&mut watchers);
    }
    progress.end();
    Ok(conclude(song, searches, watchers, columns))
}

/// What pictures show of every drum without finding its strokes anew: the waveform of its main mic, floor and least gap; novelty
/// and threshold stay empty. A drum whose mic cannot be read is left out. Cost: one pass over the main mics.
#[must_use]
pub fn waveforms(song: &Song) -> Vec<Evidence> {
    let rate = song.rate();
    let columns = Columns::new(song.mics.iter().map(|m| m.info.frames).max().unwrap_or(0), rate);
    let of_drum = |s: Search| {
        let mic = &song.mics[s.own[0]];
        let outline = outline(mic, columns).ok()?;
        Some(Evidence { novelty: Vec::new(), threshold: Vec::new(), ..s.evidence(mic, columns, outline, rate) })
    };
    searches(song, columns).unwrap_or_default().into_par_iter().filter_map(of_drum).collect()
}

fn outline(mic: &Mic, columns: Columns) -> Result<Outline> {
    let mut reader = MonoReader::open_again(&mic.info, mic.channel)?;
    let (mut outline, mut block, mut at) = (Outline::new(columns), Vec::with_capacity(BLOCK), 0);
    loop {
        block.clear();
        match reader.read(&mut block, BLOCK)? {
            0 => return Ok(outline),
            n => {
                outline.push(at, &block);
                at += n as u64;
            }
        }
    }
}

fn searches(song: &Song, columns: Columns) -> Result<Vec<Search>> {
    let found: Vec<Search> = Drum::FOUND
        .into_iter()
        .filter_map(|drum| {
            let own = own_mics(&song.mics, drum);
            let set = song.mics[*own.first()?].settings;
            let all = song.finder.all;
            let settings = MicSettings {
                threshold: set.threshold.or(all.threshold),
                floor: set.floor.or(all.floor),
                min_gap_ms: set.min_gap_ms.or(all.min_gap_ms),
            };
            Some(Search { drum, own, settings, strokes: Vec::new(), novelty: vec![0.0; columns.count] })
        })
        .collect();
    if found.is_empty() {
        let fault = SheetFault::Wrong {
            what: "no mic of this song is a close mic of kick or snare".into(),
            remedy: "Say in the song sheet which mic is which (drum = \"kick\" or \"snare\").".into(),
        };
        return Err(Located::whole(&song.sheet, fault).into());
    }
    Ok(found)
}

/// Adds the strokes of one drum in one stretch: the prior's opinion of every candidate, what this take's own strokes teach,
/// then time and peak of what is kept.
fn search(song: &Song, stretch: &Stretch, s: &mut Search, framing: Framing, columns: Columns) -> Result<()> {
    // Where the main mic's file has ended nothing can be timed, however long the drum's other mics go on.
    let main = s.own[0];
    let Some(stretch) = stretch.before(song.mics[main].info.frames, framing) else { return Ok(()) };
    let survey = Survey::new(&song.mics, &stretch, &s.own);
    highest(&mut s.novelty, columns.width, stretch.start, framing.hop as u64, &survey.curve);
    let opinion = first_opinion(&survey, s.drum);
    let looked = worth_a_look(&opinion.odds, s.drum);
    let coarse: Vec<u64> = looked.iter().map(|&i| stretch.start + framing.sample(survey.candidates[i]).0).collect();
    let mut glass = Glass::look(&song.mics[main], stretch.rest[main], &coarse, framing.rate)?;
    let first_kept = vouch(s.drum, kept(&survey, &opinion.odds, s.threshold()), &opinion.odds);
    let mut lesson = learn(&survey, &first_kept, &looked, &glass);
    // Not of a kick: what rings of it is as like it, seen a little earlier.
    if s.drum == Drum::Snare {
        let worth = (0..looked.len()).filter(|&number| opinion.odds[looked[number]] > WORTH_ANOTHER_LOOK);
        glass.look_closer(&mut lesson, worth)?;
    }
    let mut odds = second_opinion((survey.others, s.drum), &opinion, &looked, &glass, &mut lesson);
    // What only has the benefit of the doubt teaches nothing.
    let teachers = kept(&survey, &odds, s.threshold());
    if !teach_the_same(&first_kept, &teachers) {
        lesson = learn(&survey, &teachers, &looked, &glass);
    }
    let gain = benefit(survey.others, s.drum, &opinion.odds, &odds);
    odds.iter_mut().for_each(|odds| *odds += gain);
    keep_the_loud(&survey, s.drum, &opinion.odds, &mut odds);
    let kept = kept(&survey, &odds, s.threshold());
    // Which candidate, and its number under the glass. What was looked at only for what bleed is like stays bleed.
    let may_be = kept.iter().filter(|&&i| opinion.odds[i] > WORTH_A_LOOK);
    let seen: Vec<(usize, usize)> =
        may_be.filter_map(|&i| looked.binary_search(&i).ok().map(|number| (i, number))).collect();
    let numbers: Vec<usize> = seen.iter().map(|(_, number)| *number).collect();
    let measured = glass.measure(&mut lesson, &numbers)?;
    let kept: Vec<usize> = seen.iter().map(|&(i, _)| i).collect();
    let left = freed::left(&song.mics, &stretch, &survey, &kept, &measured, framing)?;
    let (recorded, peaks) = (strength::peaks(&measured, &[]), strength::peaks(&measured, &left));
    // At the seam of two stretches, which may time a stroke a little differently, both tell of it.
    let slack = framing.rate.samples(SEAM);
    let range = stretch.range.start.saturating_sub(slack)..stretch.range.end + slack;
    let floor = s.floor();
    let dbfs = |peak: f32| Dbfs::from_peak(f64::from(peak));
    let strokes = kept.iter().zip(measured).zip(recorded.iter().zip(peaks)).map(|((&i, m), (&recorded, peak))| {
        Stroke { pos: m.pos, peak: dbfs(peak), certainty: certainty(odds[i], survey.others), recorded: dbfs(recorded) }
    });
    s.strokes.extend(strokes.filter(|stroke| range.contains(&stroke.pos) && stroke.peak.0 >= floor.0));
    Ok(())
}

/// Candidates whose own samples are looked at, in order: those that may be strokes and, for a snare, some that are bleed beyond
/// doubt, evenly over the take. For a kick these made no difference.
fn worth_a_look(odds: &[f32], drum: Drum) -> Vec<usize> {
    let (mut looked, bleed): (Vec<usize>, Vec<usize>) = (0..odds.len()).partition(|&i| odds[i] > WORTH_A_LOOK);
    if drum == Drum::Snare {
        let count = bleed.len().min(LOOKED_AT_FOR_BLEED);
        looked.extend((0..count).map(|k| bleed[k * bleed.len() / count]));
        looked.sort_unstable();
    }
    looked
}

/// Of the strokes that are `kept` at first those that tell what the drum sounds like. Of a kick, where a dozen strokes are
/// unmistakable, only these: a tom's or the snare's bleed may be kept by the dozen as likelier a kick than not, and being all the same
/// it would vouch for itself. A snare's ghosts are as doubtful, and need each other.
fn vouch(drum: Drum, kept: Vec<usize>, odds: &[f32]) -> Vec<usize> {
    let surest: Vec<usize> = kept.iter().copied().filter(|&i| odds[i] > UNMISTAKABLE).collect();
    if drum == Drum::Kick && surest.len() >= STRUCK { surest } else { kept }
}

/// Whether one set of strokes teaches what another does (both in order): nearly all are the same. What clear strokes teach are
/// medians and how they sound, and comparing everything anew takes as long as it did at first.
fn teach_the_same(first: &[usize], second: &[usize]) -> bool {
    let same = first.iter().filter(|stroke| second.binary_search(stroke).is_ok()).count();
    let other = first.len() + second.len() - 2 * same;
    OTHERS * other <= first.len()
}

/// Log-odds of every candidate once those that were `looked` at under the glass are compared with the take's own strokes.
fn second_opinion(
    (others, drum): (Others, Drum),
    first: &Opinion,
    looked: &[usize],
    glass: &Glass,
    lesson: &mut Lesson,
) -> Vec<f32> {
    let mut likeness = vec![None; first.odds.len()];
    for (number, &i) in looked.iter().enumerate() {
        likeness[i] = glass.likeness(lesson, number);
    }
    let alone = others == Others::None && drum == Drum::Snare;
    let mut odds = adapted(&first.odds, &likeness, if alone { MOST_BY_LIKENESS_ALONE } else { MOST_BY_LIKENESS });
    // A kick's sure strokes are too few and too much like a floor tom's to teach its shape (`docs/finder-notes.md`).
    if drum == Drum::Snare {
        let mut gains = contrast(&odds, &first.shapes);
        if !alone {
            spare_alike(&mut gains, &likeness);
        }
        odds.iter_mut().zip(gains).for_each(|(odds, gain)| *odds += gain);
        hold(&mut odds, &first.odds);
        spare_another_way(&mut odds, &first.odds, &likeness);
    }
    let parted = valley(&odds);
    odds.iter_mut().for_each(|odds| *odds -= parted);
    odds
}

/// What the strokes that are `kept` so far teach: candidates by number, of which some were `looked` at. The higher ones
/// count as loud.
fn learn(survey: &Survey, kept: &[usize], looked: &[usize], glass: &Glass) -> Lesson {
    let mut heights: Vec<f32> = kept.iter().map(|&i| survey.heights[i]).collect();
    heights.sort_unstable_by(f32::total_cmp);
    let high = heights.get(heights.len().saturating_sub(1) * 6 / 10).copied().unwrap_or(0.0);
    let known: Vec<bool> = looked.iter().map(|i| kept.binary_search(i).is_ok()).collect();
    let loud: Vec<bool> = looked.iter().map(|&i| survey.heights[i] >= high).collect();
    glass.learn(&known, &loud)
}

/// Leaves out what is no stroke as its regularity tells: echoes, and the other drum's bleed.
fn leave_out_the_regular(song: &Song, searches: &mut [Search]) -> Vec<Finding> {
    let rate = song.rate();
    let mut findings = Vec::new();
    for s in searches.iter_mut() {
        let left = s.leave_out(&echoes(&s.sounds(rate)), s.drum);
        findings.extend(left.map(|left| left.finding(&song.mics[s.own[0]], s.drum)));
    }
    let all: Vec<(Drum, Vec<Sound>)> = searches.iter().map(|s| (s.drum, s.sounds(rate))).collect();
    for (s, (drum, sounds)) in searches.iter_mut().zip(&all) {
        if let Some((other, strokes)) = all.iter().find(|(other, _)| other != drum) {
            let left = s.leave_out(&late_bleed(sounds, strokes), *other);
            findings.extend(left.map(|left| left.finding(&song.mics[s.own[0]], s.drum)));
        }
    }
    findings
}

/// Leaves out what is struck after the song's end.
fn leave_out_what_follows(song: &Song, searches: &mut [Search]) -> Option<Finding> {
    let end = song.frames();
    let mut count = 0;
    for s in searches {
        let all = s.strokes.len();
        s.strokes.retain(|stroke| stroke.pos < end);
        count += all - s.strokes.len();
    }
    let (s, are) = if count == 1 { ("", "is") } else { ("s", "are") };
    let what =
        || format!("{count} stroke{s} after the song's end at {} {are} left out", SamplePos(end).at(song.rate()));
    let remedy = "Set a later `end` in the sheet if the song goes on there.";
    (count > 0).then(|| Finding { remedy: remedy.to_owned(), ..Finding::note(&song.sheet, what()) })
}

fn conclude(song: &Song, mut searches: Vec<Search>, watchers: Vec<Watcher>, columns: Columns) -> Found {
    let rate = song.rate();
    let mut findings = Vec::new();
    let mut outlines: Vec<Option<Outline>> = Vec::new();
    for (mic, watcher) in song.mics.iter().zip(watchers) {
        findings.extend(watcher.meter.finish().findings(&mic.info));
        outlines.push(watcher.outline);
    }
    searches.iter_mut().for_each(|s| s.keep_apart(rate));
    findings.extend(leave_out_what_follows(song, &mut searches));
    findings.extend(leave_out_the_regular(song, &mut searches));
    let mut hits = Vec::new();
    let mut evidence = Vec::new();
    for s in searches {
        let mic = &song.mics[s.own[0]];
        if s.strokes.is_empty() {
            findings.push(Finding::caution(
                &mic.info.path,
                format!("no {} stroke was found", s.drum),
                "Check that this is the right file. For a very soft take lower --floor and --threshold; where strokes are plain to hear, \
                 more mics of the kit in the song, the overheads above all, tell more of an unusual drum.",
            ));
        }
        let peaks: Vec<Dbfs> = s.strokes.iter().map(|x| x.peak).collect();
        let timed: Vec<(Seconds, Dbfs)> = s.strokes.iter().map(|x| (SamplePos(x.pos).at(rate), x.peak)).collect();
        let strengths = velocities(&peaks, song.finder.curve);
        for ((stroke, velocity), kind) in s.strokes.iter().zip(strengths).zip(kinds(&timed)) {
            hits.push(Hit {
                drum: s.drum,
                pos: SamplePos(stroke.pos),
                velocity,
                peak: stroke.peak,
                certainty: stroke.certainty,
                kind,
                state: State::Found,
                place: None,
            });
        }
        let outline = outlines[s.own[0]].take().unwrap_or_else(|| Outline::new(columns));
        evidence.push(s.evidence(mic, columns, outline, rate));
    }
    hits.sort_by_key(|h| (h.pos, h.drum));
    Found { list: HitList { rate, hits }, evidence, findings }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_snares_bleed_is_like_is_told_by_bleed_beyond_doubt_too() {
        // A stroke in ten, one doubtful sound beside each, and bleed.
        let odds: Vec<f32> =
            (0..3_000).map(|i| [4.0, -3.0, -9.0][usize::from(i % 10 > 0) + usize::from(i % 10 > 1)]).collect();
        let looked = worth_a_look(&odds, Drum::Snare);
        assert!(looked.is_sorted());
        let of = |level: f32| looked.iter().filter(|&&i| odds[i] == level).copied().collect::<Vec<_>>();
        assert!(of(4.0).len() == 300 && of(-3.0).len() == 300);
        let bleed = of(-9.0);
        assert_eq!(bleed.len(), LOOKED_AT_FOR_BLEED);
        // From the take's beginning to its end.
        assert!(bleed[0] < 100 && bleed[bleed.len() - 1] > 2_900);
        assert_eq!(worth_a_look(&odds, Drum::Kick).len(), 600);
        assert_eq!(worth_a_look(&[-9.0], Drum::Snare), [0]);
        assert!(worth_a_look(&[], Drum::Snare).is_empty());
    }

    #[test]
    fn swells_of_the_ring_that_pass_for_sure_strokes_are_left_out_and_told_of() {
        let rate = SampleRate::SESSION;
        let stroke = |time: f64, peak: f64, certainty: f64| Stroke {
            pos: Seconds(time).sample(rate).0,
            peak: Dbfs(peak),
            certainty,
            recorded: Dbfs(peak),
        };
        let swell = |certainty: f64| Search {
            drum: Drum::Snare,
            own: vec![0],
            settings: MicSettings::default(),
            strokes: (1..9)
                .map(f64::from)
                .flat_map(|t| [stroke(t, -12.0, 1.0), stroke(t + 0.104, -34.0, certainty)])
                .collect(),
            novelty: Vec::new(),
        };
        let mut search = swell(0.99);
        let left_out = |search: &mut Search| search.leave_out(&echoes(&search.sounds(rate)), Drum::Snare);
        let left = left_out(&mut search).expect("eight sure sounds were left out");
        assert!(left.count == 8 && (left.delay.0 - 0.104).abs() < 1e-4, "{} {:?}", left.count, left.delay);
        assert!(search.strokes.len() == 8 && search.strokes.iter().all(|s| s.peak == Dbfs(-12.0)));
        // Nobody misses what was doubtful, but where one was not, the others went with it.
        let mut doubtful = swell(0.6);
        assert!(left_out(&mut doubtful).is_none() && doubtful.strokes.len() == 8);
        let mut one_sure = swell(0.6);
        one_sure.strokes[1].certainty = 0.99;
        assert_eq!(left_out(&mut one_sure).map(|left| left.count), Some(8));
    }

    #[test]
    fn a_kicks_bleed_that_passes_for_sure_snares_is_left_out_and_told_of() {
        let rate = SampleRate::SESSION;
        let of = |drum: Drum, strokes: Vec<Stroke>| Search {
            drum,
            own: vec![0],
            settings: MicSettings::default(),
            strokes,
            novelty: Vec::new(),
        };
        let stroke = |time: f64, peak: f64| Stroke {
            pos: Seconds(time).sample(rate).0,
            peak: Dbfs(peak),
            certainty: 1.0,
            recorded: Dbfs(peak),
        };
        let beats = || (1..9).map(f64::from);
        let kick = of(Drum::Kick, beats().map(|t| stroke(t, -6.0)).collect());
        // 0.6 m of air later, and a backbeat.
        let mut snare =
            of(Drum::Snare, beats().flat_map(|t| [stroke(t + 0.001_75, -22.0), stroke(t + 0.5, -10.0)]).collect());
        let late = late_bleed(&snare.sounds(rate), &kick.sounds(rate));
        let left = snare.leave_out(&late, Drum::Kick).expect("eight sure sounds were left out");
        assert!(left.count == 8 && left.after == Drum::Kick && (left.delay.ms() - 1.75).abs() < 0.05);
        assert!(snare.strokes.len() == 8 && snare.strokes.iter().all(|s| s.peak == Dbfs(-10.0)));
    }

    #[test]
    fn what_is_hardly_likelier_a_kick_than_not_does_not_vouch_for_its_likes() {
        // Twenty strokes, and a tom that passes for one after each.
        let odds = [5.0, 1.5].repeat(20);
        let kept: Vec<usize> = (0..40).collect();
        assert_eq!(vouch(Drum::Kick, kept.clone(), &odds).len(), 20);
        assert_eq!(vouch(Drum::Snare, kept.clone(), &odds).len(), 40, "these are ghosts");
        // A drum that the prior hardly knows is told by all that it has.
        assert_eq!(vouch(Drum::Kick, kept[..22].to_vec(), &odds).len(), 22);
    }

    #[test]
    fn a_few_strokes_more_or_less_teach_nothing_new() {
        let strokes: Vec<usize> = (0..40).map(|k| 3 * k).collect();
        assert!(teach_the_same(&strokes, &strokes) && teach_the_same(&[], &[]));
        // Four in forty: two that fall and two that join.
        let moved = |count: usize| -> Vec<usize> {
            strokes.iter().enumerate().map(|(i, k)| if i < count { k + 1 } else { *k }).collect()
        };
        assert!(teach_the_same(&strokes, &moved(2)) && !teach_the_same(&strokes, &moved(3)));
        assert!(teach_the_same(&strokes, &strokes[4..]) && !teach_the_same(&strokes, &strokes[5..]));
        assert!(!teach_the_same(&[], &[7]));
    }
}
