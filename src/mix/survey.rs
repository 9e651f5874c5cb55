//! First look at every source of the mix: how loud its strokes are, and on which side of the kit they lie.
//!
//! In: mics, layers and tracks, read once, in step. Out: one [`Seen`] a source. Files are read side by side; the sums
//! that join them run in sheet order, so the figures do not depend on the number of threads.

use super::Lufs;
use super::feed::Feed;
use super::gated::Gated;
use super::heard::SoundSum;
use crate::audio::Channel;
use crate::error::Result;
use crate::progress::Progress;
use crate::song::{Drum, Mic, Place};
use crate::units::SampleRate;
use rayon::prelude::*;

/// Length of the stretches whose energies are compared, as parts of a second.
const STRETCHES_A_SECOND: u32 = 20;
/// Stretches read at a time.
const AT_ONCE: usize = 8;
/// Sources that are weighed side by side.
const LANES: usize = 4;

/// What was seen of one source.
#[derive(Clone, Debug)]
pub(super) struct Seen {
    /// Channels that it is mixed with, 1 or 2.
    pub channels: usize,
    /// Its loudest 400 ms; `None` in silence.
    pub momentary: Option<Lufs>,
    /// Its gated loudness; `None` under 400 ms and in silence.
    pub integrated: Option<Lufs>,
    /// How many dB louder the right overhead is than the left while this source is loud; `None` without such a pair.
    pub side: Option<f64>,
    /// Checksum of its samples up to the song's end; `None` at another rate than the song's.
    pub sum: Option<String>,
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
    let s = mics.iter().position(|m| m.drum == Drum::Overhead && m.info.channels == 2 && m.channel == Channel::Sum)?;
    Some(Pair { left: (s, 0), right: (s, 1) })
}

struct Watched {
    feed: Feed,
    meter: Gated,
    sum: Option<SoundSum>,
    /// Energy of each stretch of the block, left and right.
    energies: Vec<[f64; 2]>,
    /// Energy of the overheads, weighted with the square of this source's own energy.
    left: f64,
    right: f64,
}

impl Watched {
    fn weigh(&mut self, stretch: usize) {
        let channels = self.feed.channels;
        self.energies.clear();
        self.energies.extend(self.feed.block.chunks(stretch * channels).map(|part| energy(part, channels)));
    }

    fn energy(&self, stretch: usize) -> [f64; 2] {
        self.energies.get(stretch).copied().unwrap_or([0.0; 2])
    }
}

/// Reads the next frames of a few sources, and weighs them side by side where they are alike.
fn next(group: &mut [Watched], frames: usize, stretch: Option<usize>) -> Result<()> {
    for w in group.iter_mut() {
        w.feed.next(frames)?;
    }
    let together = match group {
        [a, b, c, d] => {
            let streams = [&a.feed.block, &b.feed.block, &c.feed.block, &d.feed.block].map(Vec::as_slice);
            Gated::add_side_by_side([&mut a.meter, &mut b.meter, &mut c.meter, &mut d.meter], streams)
        }
        _ => false,
    };
    for w in group {
        if let Some(sum) = &mut w.sum {
            sum.add(&w.feed.block);
        }
        if !together {
            w.meter.add(&w.feed.block);
        }
        if let Some(stretch) = stretch {
            w.weigh(stretch);
        }
    }
    Ok(())
}

/// Sums of squares of one or two channels, each in four parts so that an addition need not wait for the one before.
fn energy(samples: &[f32], channels: usize) -> [f64; 2] {
    let mut sums = [0f64; 8];
    let (eights, rest) = samples.as_chunks::<8>();
    for eight in eights {
        sums.iter_mut().zip(eight).for_each(|(sum, x)| *sum += f64::from(*x) * f64::from(*x));
    }
    sums.iter_mut().zip(rest).for_each(|(sum, x)| *sum += f64::from(*x) * f64::from(*x));
    let of = |channel: usize| sums.iter().skip(channel).step_by(channels).sum();
    [of(0), if channels == 2 { of(1) } else { 0.0 }]
}

/// Reads every feed to the song's end. `mics` are the first feeds, in order.
pub(super) fn survey(
    feeds: Vec<Feed>,
    mics: &[Mic],
    rate: SampleRate,
    frames: u64,
    progress: &dyn Progress,
) -> Result<Vec<Seen>> {
    let watched = |feed: Feed| {
        let meter = Gated::new(rate, feed.channels);
        let sum = feed.as_stored().then(SoundSum::default);
        Watched { feed, meter, sum, energies: Vec::new(), left: 0.0, right: 0.0 }
    };
    let mut all: Vec<Watched> = feeds.into_iter().map(watched).collect();
    let pair = overheads(mics);
    let stretch = (rate.hz() / STRETCHES_A_SECOND).max(1) as usize;
    let (mut whole_left, mut whole_right) = (0f64, 0f64);
    let mut left = frames;
    progress.begin("listening to every file", frames);
    while left > 0 {
        let now = left.min((stretch * AT_ONCE) as u64) as usize;
        let weighed = pair.map(|_| stretch);
        all.par_chunks_mut(LANES).map(|group| next(group, now, weighed)).collect::<Result<Vec<()>>>()?;
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
        .into_iter()
        .map(|w| Seen {
            channels: w.feed.channels,
            momentary: w.meter.momentary().map(Lufs),
            integrated: w.meter.integrated().map(Lufs),
            side: ratio_db(w.right, w.left).zip(kit).map(|(own, kit)| own - kit),
            sum: w.sum.map(SoundSum::finish),
        })
        .collect())
}

fn ratio_db(a: f64, b: f64) -> Option<f64> {
    (a > 0.0 && b > 0.0).then(|| 10.0 * (a / b).log10())
}
