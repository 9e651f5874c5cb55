//! The demo's tempo map as a Standard MIDI File.

use super::groove::Layout;
use crate::tempo::TempoMap;
use midly::num::{u15, u24, u28};
use midly::{Format, Header, MetaMessage, Smf, Timing, TrackEvent, TrackEventKind};

/// Tempo, meter and markers of a layout, format 1 with one track, tick 0 = first sample.
pub(super) fn tempo_file(title: &str, layout: &Layout) -> Vec<u8> {
    let mut events: Vec<(u64, MetaMessage<'_>)> = vec![(0, MetaMessage::TrackName(title.as_bytes()))];
    let (mut tick, mut tempo, mut meter) = (0u64, 0, 0);
    for (n, bar) in layout.clock.iter().enumerate() {
        if bar.quarters != meter {
            meter = bar.quarters;
            events.push((tick, MetaMessage::TimeSignature(meter as u8, 2, 24, 8)));
        }
        if bar.quarter_us != tempo {
            tempo = bar.quarter_us;
            events.push((tick, MetaMessage::Tempo(u24::new(tempo))));
        }
        for (_, name) in layout.names.iter().filter(|(first, _)| *first == n) {
            events.push((tick, MetaMessage::Marker(name.as_bytes())));
        }
        tick += TempoMap::PPQ * bar.quarters as u64;
    }
    events.push((tick, MetaMessage::EndOfTrack));
    let mut before = 0;
    let track = events
        .into_iter()
        .map(|(tick, message)| {
            let delta = u28::new((tick - before) as u32);
            before = tick;
            TrackEvent { delta, kind: TrackEventKind::Meta(message) }
        })
        .collect();
    let timing = Timing::Metrical(u15::new(TempoMap::PPQ as u16));
    let smf = Smf { header: Header::new(Format::Parallel, timing), tracks: vec![track] };
    let mut bytes = Vec::new();
    // Writing into memory cannot fail.
    let _ = smf.write(&mut bytes);
    bytes
}
