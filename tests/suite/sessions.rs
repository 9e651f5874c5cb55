//! Rendered sessions with known strokes, read as a song and a hit list. They lie outside the project.

use crate::small_song::{mic, song};
use std::path::Path;
use underlay::hits::{Hit, HitList, Kind, State};
use underlay::song::{Drum, Place, Song};
use underlay::units::{Dbfs, SampleRate, Seconds, Velocity};

/// The nine mics of a session and its true strokes. `scratch` is a folder for passing files.
pub fn load(session: &Path, scratch: &Path) -> (Song, HitList) {
    let places = [
        ("kick_in", Drum::Kick, Place::In),
        ("snare_top", Drum::Snare, Place::Top),
        ("snare_bottom", Drum::Snare, Place::Bottom),
        ("hat", Drum::Hat, Place::Close),
        ("tom_high", Drum::Tom, Place::Close),
        ("tom_floor", Drum::Tom, Place::Close),
        ("overhead_l", Drum::Overhead, Place::Left),
        ("overhead_r", Drum::Overhead, Place::Right),
        ("room", Drum::Room, Place::Mono),
    ];
    let mut made = song(scratch, 1.0);
    made.mics = places.iter().map(|(n, d, p)| mic(session.join(format!("{n}.wav")), *d, *p)).collect();
    made.tempo = None;
    let rate = SampleRate::SESSION;
    let mut rows = csv::Reader::from_path(session.join("truth.csv")).unwrap();
    let mut hits: Vec<Hit> = rows
        .deserialize::<(String, f64, f64, String)>()
        .map(|row| {
            let (drum, time, peak, kind) = row.unwrap();
            Hit {
                drum: if drum == "kick" { Drum::Kick } else { Drum::Snare },
                pos: Seconds(time).sample(rate),
                velocity: Velocity::nearest(127.0 + 2.8 * (peak + 6.0)),
                peak: Dbfs(peak),
                certainty: 1.0,
                kind: match kind.as_str() {
                    "ghost" => Kind::Ghost,
                    "flam" => Kind::Flam,
                    "roll" => Kind::Roll,
                    _ => Kind::Hit,
                },
                state: State::Found,
                place: None,
            }
        })
        .collect();
    hits.sort_by_key(|h| (h.pos, h.drum));
    (made, HitList { rate, hits })
}
