//! First look at every source of the mix: how loud its strokes are, and on which side of the kit they lie.
//!
//! In: mics, layers and tracks, read once, in step. Out: one [`Seen`] a source. Files are read side by side; the sums
//! that join them run in sheet order, so the figures do not depend on the number of threads.

use super::feed::Feed;
use super::{Loudness, Meter, Watch};
use crate::error::Result;
use crate::progress::Progress;
use crate::song::{Drum, Mic, Place};
use crate::units::SampleRate;
use rayon::prelude::*;

/// Length of the stretches whose energies are compared, as parts of a second.
const STRETCHES_A_SECOND: u32 = 20;
/// Stretches read at a time.
const AT_ONCE: usize = 8;

/// What was seen of one source.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    /// Channels that it is mixed with, 1 or 2.
    pub channels: usize,
    /// Its loudness.
    pub loudness: Loudness,
    /// How many dB louder the right overhead is than the left while this source is loud; `None` without such a pair.
    pub side: Option<f64>,
}

/// Which source, and which channel of it, is the left and the right overhead.
#[derive(Clone, Copy)]
struct Pair {
    left: (usize, usize),
    right: (usize, usize),
}

fn overheads(mics: &[Mic]) -> Option<Pair> {
    let of = |place| mics.iter().position(|m| m.drum == Drum::Overhead && m.place == place);
    if let (Some(l), Some(r)) = (of(Place::Left), of(Place::Right)) {
        return Some(Pair { left: (l, 0), right: (r, 0) });
    }
    let s = mics.iter().position(|m| m.drum == Drum::Overhead && m.info.channels == 2)?;
    Some(Pair { left: (s, 0), right: (s, 1) })
}

struct Watched {
    feed: Feed,
    meter: Meter,
    /// Energy of each stretch of the block, a channel after the other in each stretch.
    energies: Vec<[f64; 2]>,
    /// Energy of the overheads, weighted with the square of this source's own energy.
    left: f64,
    right: f64,
}

impl Watched {
    fn next(&mut self, stretch: usize, frames: usize) -> Result<()> {
        self.feed.next(frames)?;
        self.meter.add(&self.feed.block)?;
        self.energies.clear();
        let channels = self.feed.channels;
        for part in self.feed.block.chunks(stretch * channels) {
            let mut e = [0f64; 2];
            for frame in part.chunks_exact(channels) {
                for (sum, &x) in e.iter_mut().zip(frame) {
                    *sum += f64::from(x) * f64::from(x);
                }
            }
            self.energies.push(e);
        }
        Ok(())
    }

    fn energy(&self, stretch: usize) -> [f64; 2] {
        self.energies.get(stretch).copied().unwrap_or([0.0; 2])
    }
}

/// Reads every feed to the song's end. `mics` are the first feeds, in order.
pub(super) fn survey(
    feeds: Vec<Feed>,
    mics: &[Mic],
    rate: SampleRate,
    frames: u64,
    progress: &dyn Progress,
) -> Result<Vec<Seen>> {
    let watch = Watch { true_peak: false, momentary: true, short_term: false };
    let mut all = Vec::with_capacity(feeds.len());
    for feed in feeds {
        let meter = Meter::new(rate, feed.channels as u16, watch)?;
        all.push(Watched { feed, meter, energies: Vec::new(), left: 0.0, right: 0.0 });
    }
    let pair = overheads(mics);
    let stretch = (rate.hz() / STRETCHES_A_SECOND).max(1) as usize;
    let (mut whole_left, mut whole_right) = (0f64, 0f64);
    let mut left = frames;
    progress.begin("listening to every file", frames);
    while left > 0 {
        let now = left.min((stretch * AT_ONCE) as u64) as usize;
        all.par_iter_mut().map(|w| w.next(stretch, now)).collect::<Result<Vec<()>>>()?;
        if let Some(p) = pair {
            for s in 0..AT_ONCE {
                let at = |(source, channel): (usize, usize)| {
                    all.get(source).map_or(0.0, |w: &Watched| w.energy(s)[channel.min(1)])
                };
                let (l, r) = (at(p.left), at(p.right));
                whole_left += l;
                whole_right += r;
                for w in &mut all {
                    let own: f64 = w.energy(s).iter().sum();
                    w.left += own * own * l;
                    w.right += own * own * r;
                }
            }
        }
        left -= now as u64;
        progress.advance(now as u64);
    }
    progress.end();
    let kit = ratio_db(whole_right, whole_left);
    Ok(all
        .iter()
        .map(|w| Seen {
            channels: w.feed.channels,
            loudness: w.meter.loudness(),
            side: ratio_db(w.right, w.left).zip(kit).map(|(own, kit)| own - kit),
        })
        .collect())
}

fn ratio_db(a: f64, b: f64) -> Option<f64> {
    (a > 0.0 && b > 0.0).then(|| 10.0 * (a / b).log10())
}
