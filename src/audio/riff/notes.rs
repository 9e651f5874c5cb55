//! What a WAV file carries besides samples: `bext` (EBU Tech 3285), cue points and their labels.
//!
//! Chunk bodies in, plain values out; a value that is not whole is left out.

use super::u32_at;
use crate::audio::info::{Bext, Cue};
use crate::units::SamplePos;

/// Bytes of a `bext` chunk before its coding history (EBU Tech 3285 v2).
pub(super) const BEXT_LEN: u64 = 602;
/// Most cue points that are kept.
const MAX_POINTS: usize = 16_384;

/// A cue point before it has its label.
#[derive(Clone, Copy)]
pub(super) struct Point {
    id: u32,
    pos: SamplePos,
}

/// The broadcast extension, `None` when shorter than the standard's fixed part.
pub(super) fn bext(bytes: &[u8]) -> Option<Bext> {
    if (bytes.len() as u64) < BEXT_LEN {
        return None;
    }
    Some(Bext {
        description: text(bytes.get(..256)?),
        originator: text(bytes.get(256..288)?),
        date: text(bytes.get(320..330)?),
        time: text(bytes.get(330..338)?),
        time_reference: u64::from(u32_at(bytes, 342)) << 32 | u64::from(u32_at(bytes, 338)),
    })
}

/// The points of a `cue ` chunk: count, then 24 bytes each.
pub(super) fn cue_points(bytes: &[u8], points: &mut Vec<Point>) {
    let count = u32_at(bytes, 0) as usize;
    let entries = bytes.get(4..).unwrap_or_default().chunks_exact(24);
    for e in entries.take(count.min(MAX_POINTS.saturating_sub(points.len()))) {
        let (position, offset) = (u32_at(e, 4), u32_at(e, 20));
        // Some writers fill in the play-order position only.
        let pos = if offset == 0 { position } else { offset };
        points.push(Point { id: u32_at(e, 0), pos: SamplePos(pos.into()) });
    }
}

/// The `labl` texts of a `LIST` chunk of type `adtl`.
pub(super) fn labels(bytes: &[u8], labels: &mut Vec<(u32, String)>) {
    if bytes.get(..4) != Some(b"adtl") {
        return;
    }
    let mut rest = bytes.get(4..).unwrap_or_default();
    while rest.len() >= 8 && labels.len() < MAX_POINTS {
        let size = u32_at(rest, 4) as usize;
        let body = rest.get(8..).unwrap_or_default();
        let body = body.get(..size).unwrap_or(body);
        if rest.starts_with(b"labl") && body.len() >= 4 {
            labels.push((u32_at(body, 0), text(body.get(4..).unwrap_or_default())));
        }
        rest = rest.get(8usize.saturating_add(size).saturating_add(size & 1)..).unwrap_or_default();
    }
}

/// Cue points with their labels, in file order.
pub(super) fn join(points: Vec<Point>, labels: &[(u32, String)]) -> Vec<Cue> {
    let mut by_id: std::collections::BTreeMap<u32, &String> = std::collections::BTreeMap::new();
    for (id, label) in labels {
        by_id.entry(*id).or_insert(label);
    }
    let label = |id| by_id.get(&id).map(|l| (*l).clone()).unwrap_or_default();
    points.into_iter().map(|p| Cue { pos: p.pos, label: label(p.id) }).collect()
}

/// Text up to its closing zero.
fn text(bytes: &[u8]) -> String {
    let end = bytes.iter().position(|&b| b == 0).unwrap_or(bytes.len());
    String::from_utf8_lossy(bytes.get(..end).unwrap_or_default()).trim_end().to_owned()
}
