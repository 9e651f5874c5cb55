//! Recordings that are the same, sample for sample: a copy beside its original counts every stroke twice.
//!
//! In: audio files in the order of their names. Out: the copies, each with the one that it equals.

use crate::audio::{AudioInfo, AudioReader};
use std::path::Path;

/// Frames that are compared at a time.
const BLOCK: usize = 1 << 14;

/// Every file that has the samples of one before it, and that one. Files that are silent all through are nobody's copies.
/// Each file is read as far as another goes alike; one that cannot be read equals none, and is told by whoever works on it.
pub(super) fn copies(infos: &[AudioInfo]) -> Vec<(&Path, &Path)> {
    let shape = |i: &AudioInfo| (i.rate, i.channels, i.frames);
    let mut shapes: Vec<Vec<&AudioInfo>> = Vec::new();
    for info in infos {
        match shapes.iter_mut().find(|group| group.first().is_some_and(|i| shape(i) == shape(info))) {
            Some(group) => group.push(info),
            None => shapes.push(vec![info]),
        }
    }
    let alike = shapes.into_iter().filter(|group| group.len() > 1);
    let groups = alike.flat_map(|group| {
        equal(group.into_iter().filter_map(|i| Some((i.path.as_path(), AudioReader::open(&i.path).ok()?))).collect())
    });
    groups
        .flat_map(|group| {
            let mut group = group.into_iter();
            let first = group.next();
            group.filter_map(move |copy| Some((copy, first?)))
        })
        .collect()
}

/// Groups of two or more files with the same samples, not all of them zero.
fn equal(readers: Vec<(&Path, AudioReader)>) -> Vec<Vec<&Path>> {
    // Files that went alike so far, and whether anything sounded.
    let mut open = vec![(readers, false)];
    let mut done = Vec::new();
    while let Some((group, sounded)) = open.pop() {
        if group.len() < 2 {
            continue;
        }
        let mut parts: Vec<(Vec<f32>, Vec<(&Path, AudioReader)>)> = Vec::new();
        for (path, mut reader) in group {
            let mut block = Vec::new();
            if reader.read(&mut block, BLOCK).is_err() {
                continue;
            }
            match parts.iter_mut().find(|(other, _)| *other == block) {
                Some((_, members)) => members.push((path, reader)),
                None => parts.push((block, vec![(path, reader)])),
            }
        }
        for (block, members) in parts {
            let sounds = sounded || block.iter().any(|v| *v != 0.0);
            if !block.is_empty() {
                open.push((members, sounds));
            } else if sounds && members.len() > 1 {
                done.push(members.into_iter().map(|m| m.0).collect());
            }
        }
    }
    done
}
