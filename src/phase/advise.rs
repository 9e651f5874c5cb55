//! From pairs to one piece of advice a file.
//!
//! Every pair says "same" or "opposite" with some weight. The signs that contradict the least evidence are found; of two
//! equally good answers (everything may always be flipped as a whole) the one that flips the fewest files is taken, main mics
//! and overheads last. So one inverted file is named as that file, even when it is the mic that all others are compared with.

use super::measure::FEW;
use super::report::{Advice, Agreement, Pair, PairKind, PhaseReport, Recommendation, mic_of};
use crate::song::{Drum, Mic, Song};

/// How much a pair counts, by what joins its mics.
fn importance(kind: PairKind) -> f64 {
    match kind {
        PairKind::Close => 3.0,
        PairKind::Kit => 1.5,
        PairKind::Stereo => 1.0,
        PairKind::Bleed => 0.2,
    }
}

/// Least share of a file's evidence that must speak for its sign.
const MAJORITY: f64 = 0.4;
/// Least evidence, in units of [`importance`].
const ENOUGH: f64 = 0.12;
/// Share of a file's evidence that must speak for its sign so that the advice may be followed unheard: nine tenths of the
/// weight for it, one against.
const SURE: f64 = 0.8;
/// Two close mics of one drum: from this difference in the low band, dB, the fuller sum decides.
pub(super) const FULLER: f64 = 1.0;
/// A sum that the arrival, not the sign, makes this much thinner is mentioned, dB.
const WORTH_SAYING: f64 = 1.0;

struct Edge {
    a: usize,
    b: usize,
    drum: Drum,
    /// What joins the two mics.
    kind: PairKind,
    /// Positive = same sign.
    weight: f64,
}

/// What a pair says about signs: positive = same.
fn vote(p: &Pair) -> f64 {
    let by_correlation = if p.confidence <= 0.0 { 0.0 } else { p.confidence * sign_of(p) };
    if p.kind != PairKind::Close {
        return if p.polarity == Agreement::Unclear { 0.0 } else { importance(p.kind) * by_correlation };
    }
    // Close mics of one drum are a fraction of a wave apart in the low band: there the ear decides by the fuller sum.
    let fuller = p.sum.as_is.0 - p.sum.flipped.0;
    if fuller.abs() >= FULLER && p.strokes >= FEW {
        importance(p.kind) * fuller.signum() * (fuller.abs() / 6.0).clamp(0.2, 1.0)
    } else if p.polarity == Agreement::Unclear {
        0.0
    } else {
        importance(p.kind) * by_correlation
    }
}

fn sign_of(p: &Pair) -> f64 {
    if p.polarity == Agreement::Opposite { -1.0 } else { 1.0 }
}

/// One piece of advice for every mic of the song.
pub(super) fn advise(song: &Song, report: &PhaseReport) -> Vec<Advice> {
    let index = |ear: &str| mic_of(ear, song.mics.iter().map(|m| m.name.as_str()));
    let edges: Vec<Edge> = report
        .pairs
        .iter()
        .filter_map(|p| {
            Some(Edge { a: index(&p.reference)?, b: index(&p.mic)?, drum: p.drum, kind: p.kind, weight: vote(p) })
        })
        .filter(|e| e.a != e.b && e.weight != 0.0)
        .collect();
    let signs = best_signs(&song.mics, &edges, &report.drums);
    let advice = song.mics.iter().enumerate().map(|(i, mic)| {
        let own = edges.iter().filter(|e| e.a == i || e.b == i);
        let (mut speaks, mut total, mut by_bleed) = (0.0, 0.0, true);
        for e in own {
            speaks += e.weight * sign_at(&signs, e.a) * sign_at(&signs, e.b);
            total += e.weight.abs();
            by_bleed &= e.kind == PairKind::Bleed;
        }
        let confidence = if total > 0.0 { (speaks / total).max(0.0) } else { 0.0 };
        let recommendation = match sign_at(&signs, i) {
            _ if total < ENOUGH || confidence < MAJORITY => Recommendation::Unclear,
            s if s < 0.0 => Recommendation::Invert,
            _ => Recommendation::Keep,
        };
        let why = why(mic, |ear| index(ear) == Some(i), report, recommendation);
        // What speaks through bleed alone may keep a file as it is, but not flip it unheard; and it does not answer for the
        // mic of a drum that is hardly played.
        let unplayed = report.drums.iter().any(|(drum, _, strokes)| *drum == mic.drum && *strokes < FEW);
        let far = matches!(mic.drum, Drum::Overhead | Drum::Room);
        let sure = confidence >= SURE
            && !unplayed
            && match recommendation {
                Recommendation::Keep => true,
                Recommendation::Invert => !by_bleed && (!far || two_drums_say_so(&edges, &signs, i)),
                Recommendation::Unclear => false,
            }
            && !parts_a_pair(report, &index, &signs, i);
        Advice {
            mic: mic.name.clone(),
            file: mic.info.path.clone(),
            drum: mic.drum,
            recommendation,
            confidence,
            sure,
            why,
        }
    });
    advice.collect()
}

/// Whether kick and snare both bear out the sign of a mic that is far from either: by one drum alone it may be off by half a wave.
fn two_drums_say_so(edges: &[Edge], signs: &[f64], i: usize) -> bool {
    let speaks = |drum: Drum| {
        edges
            .iter()
            .filter(|e| (e.a == i || e.b == i) && e.drum == drum && e.kind == PairKind::Kit)
            .any(|e| e.weight * sign_at(signs, e.a) * sign_at(signs, e.b) > 0.0)
    };
    Drum::FOUND.into_iter().all(speaks)
}

/// Whether the signs turn one side of a stereo pair against the other although the two add up fuller as they are.
fn parts_a_pair(report: &PhaseReport, index: &dyn Fn(&str) -> Option<usize>, signs: &[f64], i: usize) -> bool {
    report.pairs.iter().filter(|p| p.kind == PairKind::Stereo).any(|p| {
        let (Some(a), Some(b)) = (index(&p.reference), index(&p.mic)) else { return false };
        (a == i || b == i) && sign_at(signs, a) != sign_at(signs, b) && p.sum.as_is.0 - p.sum.flipped.0 >= FULLER
    })
}

fn sign_at(signs: &[f64], i: usize) -> f64 {
    signs.get(i).copied().unwrap_or(1.0)
}

/// Cost of flipping a file when the evidence leaves a choice.
fn reluctance(mic: &Mic, is_main: bool) -> f64 {
    match mic.drum {
        _ if is_main => 3.0,
        Drum::Overhead => 2.0,
        _ => 1.0,
    }
}

/// Mics with evidence up to which every combination of signs is tried.
const ALL: usize = 14;
/// What flipping a file of [`reluctance`] 1 must gain over leaving it, in units of [`importance`].
const BIAS: f64 = 0.3;

/// Signs (+1/−1) that contradict the least weight, every flip costing a little, so that of equal answers the one that flips
/// least wins. Up to 14 mics with evidence exactly; more by single flips from "all as they are". Deterministic.
fn best_signs(mics: &[Mic], edges: &[Edge], drums: &[(Drum, String, usize)]) -> Vec<f64> {
    let n = mics.len();
    let is_main = |m: &Mic| drums.iter().any(|(_, main, _)| *main == m.name);
    let cost: Vec<f64> = mics.iter().map(|m| BIAS * reluctance(m, is_main(m))).collect();
    let worth = |signs: &[f64]| -> f64 {
        let kept: f64 = edges.iter().map(|e| e.weight * sign_at(signs, e.a) * sign_at(signs, e.b)).sum();
        let flips: f64 = signs.iter().zip(&cost).filter(|(s, _)| **s < 0.0).map(|(_, c)| c).sum();
        kept - flips
    };
    let free: Vec<usize> = (0..n).filter(|&i| edges.iter().any(|e| e.a == i || e.b == i)).collect();
    let mut best = vec![1.0f64; n];
    let mut best_worth = worth(&best);
    if free.len() <= ALL {
        for code in 1u32..1 << free.len() {
            let mut signs = vec![1.0f64; n];
            for (bit, &i) in free.iter().enumerate() {
                if let Some(s) = signs.get_mut(i).filter(|_| code >> bit & 1 == 1) {
                    *s = -1.0;
                }
            }
            let w = worth(&signs);
            if w > best_worth + 1e-9 {
                (best, best_worth) = (signs, w);
            }
        }
        return best;
    }
    for _ in 0..4 * n {
        let tried = free.iter().map(|&i| {
            let mut signs = best.clone();
            if let Some(s) = signs.get_mut(i) {
                *s = -*s;
            }
            (worth(&signs), signs)
        });
        match tried.max_by(|x, y| x.0.total_cmp(&y.0)) {
            Some((w, signs)) if w > best_worth + 1e-9 => (best, best_worth) = (signs, w),
            _ => break,
        }
    }
    best
}

/// One sentence about the pair that says the most about a mic.
fn why(mic: &Mic, is_side: impl Fn(&str) -> bool, report: &PhaseReport, recommendation: Recommendation) -> String {
    let main = report.drums.iter().find(|(_, main, _)| *main == mic.name);
    if let Some((drum, ..)) = main.filter(|(_, _, strokes)| *strokes < FEW) {
        return format!(
            "the {drum}'s main mic; the {drum} is hardly played, and only other drums' bleed speaks for it"
        );
    }
    if let Some((drum, ..)) = main {
        return match recommendation {
            Recommendation::Invert => format!("the {drum}'s main mic stands alone against most of the others"),
            Recommendation::Keep => format!("the {drum}'s main mic, which the others are compared with"),
            Recommendation::Unclear => format!(
                "the {drum}'s main mic, which the {drum}'s others are compared with; the rest of the kit says too little: flip all the {drum}'s mics together and keep what sounds fuller"
            ),
        };
    }
    let own = report.pairs.iter().filter(|p| is_side(&p.mic) && p.kind != PairKind::Stereo);
    let Some(p) =
        own.max_by(|a, b| vote(a).abs().total_cmp(&vote(b).abs()).then(a.confidence.total_cmp(&b.confidence)))
    else {
        return "no drum reaches this mic clearly".into();
    };
    if recommendation == Recommendation::Unclear {
        let told: Vec<&Pair> = report.pairs.iter().filter(|p| is_side(&p.mic) && vote(p) != 0.0).collect();
        if told.iter().any(|p| vote(p) > 0.0) && told.iter().any(|p| vote(p) < 0.0) {
            let say: Vec<String> =
                told.iter().map(|p| format!("{} against {} says {}", p.drum, p.reference, word(vote(p)))).collect();
            return format!("the evidence contradicts itself: {}", say.join(", "));
        }
        return format!(
            "{} against {}: {:.0} % of strokes agree, and the other sign fits {:.0} % as well",
            p.drum,
            p.reference,
            p.agreement * 100.0,
            p.rival * 100.0
        );
    }
    let (now, other) = (p.sum.as_is.0, p.sum.flipped.0);
    let mut text = format!("{} against {}: ", p.drum, p.reference);
    if p.kind == PairKind::Close && (now - other).abs() >= FULLER {
        text += &format!("low end {now:+.1} dB as it is, {other:+.1} dB flipped");
        return text;
    }
    let when = if p.lag.0 < 0.0 { "earlier" } else { "later" };
    text += &format!("{} sign, {:.1} ms ({:.2} m) {when}", p.polarity.word(), p.lag.ms().abs(), p.metres.abs());
    let (chosen, left) = if recommendation == Recommendation::Invert { (other, now) } else { (now, other) };
    if left - chosen >= WORTH_SAYING {
        text += &format!("; that its low end sums to {chosen:+.1} dB comes from the distance, not from the sign");
    }
    text
}

fn word(vote: f64) -> &'static str {
    if vote < 0.0 { "opposite" } else { "same" }
}

impl Advice {
    /// Whether the mic is one of those that are never moved unless named: overheads and rooms.
    #[must_use]
    pub fn stays(&self) -> bool {
        matches!(self.drum, Drum::Overhead | Drum::Room)
    }
}
