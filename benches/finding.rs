//! What each step of finding costs, on eight seeded bars of the invented song: band powers, bleed fit, novelty,
//! picking, judging, and the whole way from files to hits; nine mics.
//!
//! `cargo bench --bench finding`. Items are frames of one mic, or samples where samples go in.

#![allow(clippy::unwrap_used, reason = "a benchmark that cannot go on has failed")]

use divan::Bencher;
use divan::counter::ItemsCount;
use std::path::Path;
use std::sync::LazyLock;
use underlay::Quiet;
use underlay::audio::{AudioReader, MonoReader};
use underlay::demo::{DemoMic, DemoSong, DemoSpec};
use underlay::hits::bands::{BandAnalyser, Bands, Framing};
use underlay::hits::bleed::predicted_bleed;
use underlay::hits::decide::{first_opinion, kept};
use underlay::hits::novelty::{Listened, maxima, novelty};
use underlay::hits::pick::threshold;
use underlay::hits::survey::Survey;
use underlay::hits::take::{Stretch, Watcher, stretches};
use underlay::hits::{find, own_mics};
use underlay::song::{Drum, Mic, Song};

const SEED: u64 = 3;
const BARS: usize = 8;

fn main() {
    divan::main();
}

/// A rendered take and what the finder makes of it on the way.
struct Take {
    song: Song,
    framing: Framing,
    stretch: Stretch,
    _dir: tempfile::TempDir,
}

static TAKE: LazyLock<Take> = LazyLock::new(|| {
    let dir = tempfile::tempdir().unwrap();
    let demo = DemoSong::new(DemoSpec { mics: DemoMic::NINE.to_vec(), ..DemoSpec::varied(SEED, BARS) });
    demo.render(dir.path(), &Quiet).unwrap();
    let song = Song { mics: DemoMic::NINE.iter().map(|m| mic(dir.path(), *m)).collect(), ..Song::default() };
    let framing = Framing::new(song.rate());
    let stretch = read(&song, framing);
    Take { song, framing, stretch, _dir: dir }
});

fn mic(dir: &Path, mic: DemoMic) -> Mic {
    let (drum, place) = mic.role();
    Mic::new(
        mic.name(),
        AudioReader::open(&dir.join(format!("{}.wav", mic.name()))).unwrap().info().clone(),
        drum,
        place,
    )
}

fn read(song: &Song, framing: Framing) -> Stretch {
    let samples = song.mics.iter().map(|m| m.info.frames).max().unwrap();
    let mut watchers: Vec<Watcher> = song.mics.iter().map(|m| Watcher::new(m, None)).collect();
    let range = stretches(samples, song.mics.len(), framing).remove(0);
    Stretch::read(&song.mics, range, samples, framing, &mut watchers, &Quiet).unwrap()
}

/// Powers of the snare's mics, and of all others.
fn parted<'a>(take: &'a Take) -> (Vec<&'a Bands>, Vec<&'a Bands>) {
    let own = own_mics(&take.song.mics, Drum::Snare);
    let all = |of: &'a [Bands], mics: &[usize]| mics.iter().map(|&i| &of[i]).collect();
    let others: Vec<usize> = (0..take.song.mics.len()).filter(|i| !own.contains(i)).collect();
    (all(&take.stretch.bands, &own), all(&take.stretch.bands, &others))
}

fn survey(take: &Take) -> Survey<'_> {
    Survey::new(&take.song.mics, &take.stretch, &own_mics(&take.song.mics, Drum::Snare))
}

#[divan::bench]
fn band_powers_of_one_mic(b: Bencher) {
    let mic = &TAKE.song.mics[0];
    let mut x = Vec::new();
    MonoReader::open(&mic.info.path, mic.channel).unwrap().read(&mut x, usize::MAX >> 8).unwrap();
    b.counter(ItemsCount::new(x.len())).bench(|| {
        let mut analyser = BandAnalyser::new(TAKE.framing);
        let mut rows = Vec::new();
        x.chunks(1 << 16).for_each(|block| analyser.push(block, &mut rows));
        analyser.finish(&mut rows);
        rows
    });
}

/// Reading, levels and band powers of all mics, as the finder does it.
#[divan::bench]
fn listening_to_nine_mics(b: Bencher) {
    let samples: u64 = TAKE.song.mics.iter().map(|m| m.info.frames).sum();
    b.counter(ItemsCount::new(samples)).bench(|| read(&TAKE.song, TAKE.framing));
}

#[divan::bench]
fn bleed_fit_of_two_own_mics(b: Bencher) {
    let (own, others) = parted(&TAKE);
    b.counter(ItemsCount::new(own[0].len() * own.len())).bench(|| predicted_bleed(&own, &others, &[]));
}

#[divan::bench]
fn novelty_of_two_own_mics(b: Bencher) {
    let (own, others) = parted(&TAKE);
    let bleed = predicted_bleed(&own, &others, &[]);
    let heard: Vec<Listened> = own.iter().zip(&bleed).map(|(power, bleed)| Listened { power, bleed }).collect();
    b.counter(ItemsCount::new(own[0].len() * own.len())).bench(|| novelty(&heard));
}

#[divan::bench]
fn picking(b: Bencher) {
    let curve = survey(&TAKE).curve;
    b.counter(ItemsCount::new(curve.len())).bench(|| {
        let peaks = maxima(&curve, 7, 0.25);
        let heights: Vec<f32> = peaks.iter().map(|&t| curve[t]).collect();
        (threshold(&heights), peaks)
    });
}

#[divan::bench]
fn surveying_the_snare(b: Bencher) {
    b.counter(ItemsCount::new(TAKE.stretch.bands[0].len())).bench(|| survey(&TAKE).candidates);
}

#[divan::bench]
fn judging_the_snares_candidates(b: Bencher) {
    let survey = survey(&TAKE);
    b.counter(ItemsCount::new(survey.candidates.len()))
        .bench(|| kept(&survey, &first_opinion(&survey, Drum::Snare).odds, 0.5));
}

#[divan::bench]
fn the_whole_way(b: Bencher) {
    let samples: u64 = TAKE.song.mics.iter().map(|m| m.info.frames).sum();
    b.counter(ItemsCount::new(samples)).bench(|| find(&TAKE.song, &Quiet).unwrap());
}
