//! The delivery: names, formats, bit-identity, checks, verification, revisions, faults.

use crate::small_song::{RATE, layer, mic, noise, on_one_file, song, strokes, track, write, write_as};
use std::collections::BTreeMap;
use std::fs;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use underlay::audio::{AudioReader, Bext, Channel, SampleFormat, WavExtras, WavSpec, WavWriter};
use underlay::handoff::{self, Delivered, Document, Handoff, Request};
use underlay::mix::PrintedLayer;
use underlay::song::{Drum, Place, Polarity, Song, TrackKind};
use underlay::units::{SampleRate, Seconds};
use underlay::{ExitCode, Finding, Progress, Quiet, Result, Weight};

fn request<'a>(song: &'a Song, out: &'a Path) -> Request<'a> {
    Request { song, layers: &[], hits: None, documents: &[], findings: &[], last: None, out }
}

pub fn made(song: &Song, out: &Path) -> Delivered {
    let h = handoff::make(&request(song, out), &Quiet).unwrap();
    h.delivered.unwrap_or_else(|| panic!("{:#?}", h.findings))
}

/// Every file of a zip by its path without the top folder.
pub fn contents(zip: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut archive = zip::ZipArchive::new(fs::File::open(zip).unwrap()).unwrap();
    (0..archive.len())
        .map(|i| {
            let mut entry = archive.by_index(i).unwrap();
            let name = entry.name().unwrap().split_once('/').unwrap().1.to_owned();
            let mut bytes = Vec::new();
            entry.read_to_end(&mut bytes).unwrap();
            (name, bytes)
        })
        .collect()
}

/// Files with their paths, in order.
type Files = Vec<(String, Vec<u8>)>;

fn u32_at(b: &[u8], at: usize) -> u32 {
    u32::from_le_bytes(b[at..at + 4].try_into().unwrap())
}

/// Where a chunk's body begins, and its length, by walking as RIFF says.
fn chunk(b: &[u8], id: &[u8; 4]) -> Option<(usize, usize)> {
    let mut at = 12;
    while at + 8 <= b.len() {
        let len = u32_at(b, at + 4) as usize;
        if &b[at..at + 4] == id {
            return Some((at + 8, len));
        }
        at += 8 + len + (len & 1);
    }
    None
}

pub fn samples(b: &[u8]) -> &[u8] {
    let (at, len) = chunk(b, b"data").unwrap();
    &b[at..at + len]
}

pub fn find<'a>(h: &'a Handoff, words: &str) -> &'a Finding {
    h.findings.iter().find(|f| f.what.contains(words)).unwrap_or_else(|| panic!("no \"{words}\" in {:#?}", h.findings))
}

pub fn looked(song: &Song) -> Handoff {
    handoff::look(&request(song, Path::new("unused")), &Quiet).unwrap()
}

/// A song whose files differ in every way that the handoff has to level.
fn uneven(dir: &Path) -> Song {
    let mut s = song(dir, 2.5);
    let tom = strokes(2.0, 0.3, 0.7, 110.0, 0.4, 11);
    s.mics.push(mic(write(&dir.join("tom_rack.wav"), 1, &tom), Drum::Tom, Place::Close));
    let low = strokes(2.5, 0.6, 0.9, 80.0, 0.4, 12);
    let spec = WavSpec { rate: RATE, channels: 1, format: SampleFormat::Int16 };
    s.mics.push(mic(write_as(&dir.join("tom_floor.wav"), spec, &low), Drum::Tom, Place::Close));
    s
}

#[test]
fn every_delivered_file_has_one_rate_depth_length_and_starts_at_zero() {
    let dir = tempfile::tempdir().unwrap();
    let s = uneven(dir.path());
    let d = made(&s, &dir.path().join("out"));
    let files = contents(&d.zip);
    let wavs: Vec<_> = files.iter().filter(|(name, _)| name.ends_with(".wav")).collect();
    assert_eq!(wavs.len(), s.mics.len() + s.tracks.len());
    for (name, b) in wavs {
        // RIFF arithmetic: Microsoft/IBM, Multimedia Programming Interface and Data Specifications 1.0.
        assert_eq!((&b[..4], u32_at(b, 4) as usize), (&b"RIFF"[..], b.len() - 8), "{name}");
        let (fmt, _) = chunk(b, b"fmt ").unwrap();
        let channels = u16::from_le_bytes([b[fmt + 2], b[fmt + 3]]);
        assert_eq!((u32_at(b, fmt + 4), b[fmt + 14]), (48_000, 24), "{name}");
        assert_eq!(samples(b).len(), 120_000 * 3 * usize::from(channels), "{name}");
        // EBU Tech 3285: TimeReference at bytes 338..346 of bext, version at 346.
        let (bext, len) = chunk(b, b"bext").unwrap();
        assert!(len >= 602);
        assert_eq!(b[bext + 338..bext + 346], [0; 8], "{name}");
    }
}

#[test]
fn names_follow_the_published_convention_and_differ_across_folders() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = uneven(dir.path());
    // A programmed part that is called like a drum's mic.
    let twin = write(&dir.path().join("Snare_Top.wav"), 1, &strokes(2.5, 0.1, 0.5, 900.0, 0.3, 20));
    s.tracks.push(track(twin, TrackKind::Programming));
    s.title = "Low Tide, für Zoë / part 2".into();
    let d = made(&s, &dir.path().join("out"));
    let mut seen = std::collections::HashSet::new();
    for f in d.manifest.files.iter().filter(|f| f.audio.is_some()) {
        let name = f.path.rsplit_once('/').unwrap().1;
        let stem = name.strip_suffix(".wav").unwrap();
        assert!(stem.split('_').all(|w| !w.is_empty() && w.chars().all(|c| c.is_ascii_alphanumeric())), "{name}");
        assert!(stem.ends_with("_48k24"), "{name}");
        assert!(seen.insert(name.to_lowercase()), "{name} twice");
    }
    let paths: Vec<_> = d.manifest.files.iter().map(|f| f.path.as_str()).collect();
    assert!(paths.contains(&"Acoustic Kit/LowTideFuerZoePart2_TomRack_48k24.wav"), "{paths:#?}");
    assert!(paths.contains(&"Programming/LowTideFuerZoePart2_SnareTop_48k24.wav"));
    assert!(paths.contains(&"Guide/LowTideFuerZoePart2_TwoMix_48k24.wav"));
}

#[test]
fn unchanged_audio_is_bit_identical_and_short_audio_is_padded_with_digital_silence() {
    let dir = tempfile::tempdir().unwrap();
    let s = uneven(dir.path());
    let d = made(&s, &dir.path().join("out"));
    let files = contents(&d.zip);
    let at = |name: &str| samples(&files[&format!("Acoustic Kit/LowTide_{name}_48k24.wav")]).to_vec();
    let source = |name: &str| samples(&fs::read(dir.path().join(name)).unwrap()).to_vec();
    assert_eq!(at("Snare_Top"), source("snare_top.wav"));
    let (tom, rack) = (at("TomRack"), source("tom_rack.wav"));
    assert_eq!(tom[..rack.len()], rack[..]);
    assert!(tom[rack.len()..].iter().all(|&b| b == 0));
    // 16 bit goes up value for value: the lowest byte is empty.
    let (up, low) = (at("TomFloor"), source("tom_floor.wav"));
    assert!(up.chunks(3).zip(low.chunks(2)).all(|(u, l)| u[0] == 0 && u[1..] == *l));
    let entry =
        |name: &str| d.manifest.files.iter().find_map(|f| f.audio.as_ref().filter(|a| a.name == name)).unwrap().clone();
    assert!(entry("snare_top").treatment.is_empty());
    assert_eq!(entry("tom_rack").treatment, ["24000 samples of silence added at the end"]);
}

/// Recording programs export 24-bit recordings so: four bytes a sample, of which one is empty, or floating point.
#[test]
fn what_was_recorded_with_24_bits_is_delivered_bit_for_bit_from_wider_files() {
    let dir = tempfile::tempdir().unwrap();
    let narrow = made(&song(dir.path(), 2.0), &dir.path().join("narrow"));
    for format in [SampleFormat::Int32, SampleFormat::Float32] {
        let mut s = song(dir.path(), 2.0);
        let old = s.mics[1].info.path.clone();
        let mut x = Vec::new();
        AudioReader::open(&old).unwrap().read(&mut x, 1 << 20).unwrap();
        let path = dir.path().join(format!("wide{format:?}")).join("snare_top.wav");
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        s.mics[1] = mic(write_as(&path, WavSpec { rate: RATE, channels: 1, format }, &x), Drum::Snare, Place::Top);
        let h = looked(&s);
        assert!(h.findings.iter().all(|f| !f.what.contains("dither")), "{:?}", h.findings);
        let d = made(&s, &dir.path().join(format!("from{format:?}")));
        let audio = |d: &Delivered| samples(&contents(&d.zip)["Acoustic Kit/LowTide_Snare_Top_48k24.wav"]).to_vec();
        assert_eq!(audio(&d), audio(&narrow));
        let entry = d.manifest.files.iter().filter_map(|f| f.audio.as_ref()).find(|a| a.name == "snare_top").unwrap();
        assert!(entry.treatment[0].ends_with("stored as 24 bit, value for value"), "{:?}", entry.treatment);
        // One step below 24 bit, and it takes rounding.
        x[1000] += f32::powi(2.0, -26);
        s.mics[1] = mic(write_as(&path, WavSpec { rate: RATE, channels: 1, format }, &x), Drum::Snare, Place::Top);
        find(&looked(&s), "to 24 bit with dither");
    }
}

/// A square of which every sample is under full scale: between them, and at another rate, the wave stands higher (Gibbs).
#[test]
fn peaks_that_another_rate_lifts_over_full_scale_are_told_and_a_guide_is_lowered() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 2.0);
    let square = |half: usize| -> Vec<f32> {
        (0..96_000).map(|i| if (i / half).is_multiple_of(2) { 0.98 } else { -0.98 }).collect()
    };
    s.mics.push(mic(write(&dir.path().join("square.wav"), 1, &square(24)), Drum::Tom, Place::Close));
    s.tracks = vec![track(write(&dir.path().join("rough.wav"), 1, &square(32)), TrackKind::Guide)];
    assert!(looked(&s).findings.iter().all(|f| !f.what.contains("its peaks reach")), "at its own rate it fits");
    s.handoff.rate = SampleRate::new(44_100).unwrap();
    let h = looked(&s);
    let held = find(&h, "at 44.1 kHz; the delivery holds them at full scale");
    assert_eq!(held.weight, Weight::Caution);
    find(&h, "so the delivered copy is");
    let d = made(&s, &dir.path().join("out"));
    let files = contents(&d.zip);
    let (guide_path, guide) = files.iter().find(|(path, _)| path.starts_with("Guide/")).unwrap();
    let value = |b: &[u8]| i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8;
    let highest = samples(guide).chunks(3).map(|b| value(b).abs()).max().unwrap();
    let dbfs = 20.0 * (f64::from(highest) / 8_388_608.0).log10();
    assert!((-0.52..=-0.48).contains(&dbfs), "{guide_path}: {dbfs}");
    // What is held back is not told as noise of the dither: half a step of 24 bit is -144.5 dBFS.
    let rounded = "rounded to 24 bit with dither (its noise: -144.5 dBFS)";
    for a in d.manifest.files.iter().filter_map(|f| f.audio.as_ref()) {
        assert!(a.treatment.iter().any(|t| t == rounded), "{}: {:?}", a.name, a.treatment);
        assert!(a.peak_dbfs <= 0.0);
    }
}

#[test]
fn a_guide_that_goes_on_after_the_drums_is_cut_and_that_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let s = song(dir.path(), 2.0);
    let told = |s: &Song| looked(s).findings.iter().filter(|f| f.what.contains("is cut at the song's end")).count();
    assert_eq!(told(&s), 0);
    let s = Song { end: Some(Seconds(1.5)), ..s };
    let h = looked(&s);
    let f = find(&h, "it goes on up to 0:02.000 and is cut at the song's end, 0:01.500");
    assert!(f.weight == Weight::Caution && f.file.as_ref().is_some_and(|f| f.ends_with("two_mix.wav")), "{f:?}");
    assert!(f.remedy.contains("`end`"), "{f:?}");
}

#[test]
fn the_sides_of_one_stereo_file_are_delivered_as_two_mono_files() {
    let dir = tempfile::tempdir().unwrap();
    for bits in [24, 16] {
        let mut s = song(dir.path(), 2.0);
        s.handoff.bits = bits;
        let audio = |d: &Delivered| -> Files {
            let wavs = contents(&d.zip).into_iter().filter(|(name, _)| name.ends_with(".wav"));
            wavs.map(|(name, b)| (name, samples(&b).to_vec())).collect()
        };
        let apart = audio(&made(&s, &dir.path().join(format!("apart{bits}"))));
        on_one_file(&mut s, 1, 2, &dir.path().join("snares.wav"));
        let d = made(&s, &dir.path().join(format!("sides{bits}")));
        assert_eq!(audio(&d), apart);
        let top = d.manifest.files.iter().filter_map(|f| f.audio.as_ref()).find(|a| a.name == "snare_top").unwrap();
        assert_eq!((top.channels, top.treatment[0].as_str()), (1, "the left side of a stereo recording"));
        assert_eq!(d.manifest.decisions["recording of snare_bottom"], "snares.wav, right side");
    }
    // One side under two names is still one recording.
    let mut s = song(dir.path(), 2.0);
    on_one_file(&mut s, 1, 2, &dir.path().join("snares.wav"));
    s.mics[2].channel = Channel::Left;
    assert_eq!(find(&looked(&s), "are the same recording").weight, Weight::Error);
}

#[test]
fn an_invert_decision_flips_every_sample_or_is_only_listed() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 1.5);
    s.mics[2].polarity = Polarity::Invert;
    let d = made(&s, &dir.path().join("applied"));
    let path = "Acoustic Kit/LowTide_Snare_Bottom_48k24.wav";
    let value = |b: &[u8]| i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8;
    let source = fs::read(dir.path().join("snare_bottom.wav")).unwrap();
    let files = contents(&d.zip);
    assert!(samples(&files[path]).chunks(3).zip(samples(&source).chunks(3)).all(|(a, b)| value(a) == -value(b)));
    s.handoff.apply_polarity = false;
    let d = made(&s, &dir.path().join("listed"));
    let files = contents(&d.zip);
    assert_eq!(samples(&files[path]), samples(&source));
    let sheet = String::from_utf8(files["Documents/LowTide_TrackSheet.csv"].clone()).unwrap();
    assert!(sheet.contains("to be inverted in the mix"), "{sheet}");
}

#[test]
fn on_request_everything_becomes_44_1_khz_and_16_bit() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 2.0);
    let tone: Vec<f32> =
        (0..96_000).map(|i| (0.5 * (std::f64::consts::TAU * 1_000.0 * f64::from(i) / 48_000.0).sin()) as f32).collect();
    let tone = write(&dir.path().join("tone.wav"), 1, &tone);
    s.mics = vec![mic(tone, Drum::Snare, Place::Top)];
    s.tracks.clear();
    s.handoff.rate = SampleRate::new(44_100).unwrap();
    s.handoff.bits = 16;
    let d = made(&s, &dir.path().join("out"));
    let files = contents(&d.zip);
    let b = &files["Acoustic Kit/LowTide_Snare_Top_44k16.wav"];
    let data = samples(b);
    assert_eq!(data.len(), 2 * 88_200);
    // The level of a 1 kHz sine is kept within 0.01 dB: amplitude by correlation over the steady middle, whole cycles.
    let (mut c, mut q) = (0.0, 0.0);
    let middle = 22_050..66_150;
    for i in middle.clone() {
        let v = f64::from(i16::from_le_bytes([data[2 * i], data[2 * i + 1]])) / 32_768.0;
        let p = std::f64::consts::TAU * 1_000.0 * i as f64 / 44_100.0;
        c += v * p.cos();
        q += v * p.sin();
    }
    let amplitude = 2.0 * (c * c + q * q).sqrt() / middle.len() as f64;
    assert!((20.0 * (amplitude / 0.5).log10()).abs() < 0.01, "{amplitude}");
    // Noise of triangular dither at 16 bit: −96.33 dB re 1.0 RMS (Lipshitz, Wannamaker, Vanderkooy 1992).
    let audio = d.manifest.files[0].audio.as_ref().unwrap();
    assert_eq!(audio.treatment[0], "converted from 48 kHz to 44.1 kHz");
    assert_eq!(audio.treatment[1], "rounded to 16 bit with dither (its noise: -96.3 dBFS)");
}

#[test]
fn files_that_are_converted_alike_are_told_of_once() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 1.5);
    s.handoff.rate = SampleRate::new(44_100).unwrap();
    s.handoff.bits = 16;
    let h = looked(&s);
    let told: Vec<&Finding> = h.findings.iter().filter(|f| f.what.contains("converted from 48 kHz")).collect();
    assert_eq!(told.len(), 1, "{told:?}");
    let words =
        format!("all {} files are converted from 48 kHz to 44.1 kHz and brought from", s.mics.len() + s.tracks.len());
    assert!(told[0].what.starts_with(&words) && told[0].file.is_none(), "{told:?}");
    // One alone is named.
    s.mics.truncate(1);
    s.tracks.clear();
    let h = looked(&s);
    let told: Vec<&Finding> = h.findings.iter().filter(|f| f.what.starts_with("it is converted from")).collect();
    assert_eq!(told.len(), 1);
    assert_eq!(told[0].file.as_deref(), Some(s.mics[0].info.path.as_path()));
}

#[test]
fn a_caution_that_files_share_is_given_once() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 2.0);
    let spec = WavSpec { rate: RATE, channels: 1, format: SampleFormat::Int16 };
    for (name, hz) in [("tom_rack", 120.0), ("tom_floor", 80.0)] {
        let x = strokes(2.0, 0.3, 0.6, hz, 0.4, hz as u32);
        s.mics.push(mic(write_as(&dir.path().join(format!("{name}.wav")), spec, &x), Drum::Tom, Place::Close));
    }
    let words = "each of 2 files (tom_rack.wav, tom_floor.wav): it is a 16-bit recording";
    let h = looked(&s);
    assert!(find(&h, words).file.is_none());
    assert_eq!(h.findings.iter().filter(|f| f.what.contains("16-bit")).count(), 1);
}

#[test]
fn the_manifest_lists_exactly_what_is_in_the_zip() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 1.5);
    s.handoff.notes = "Snare tuned low on purpose.".into();
    let hits = dir.path().join("hits.csv");
    fs::write(&hits, "drum,hit\r\n").unwrap();
    let plan = layer("snare_fat", Drum::Snare);
    let file = write(&dir.path().join("snare_fat.wav"), 1, &strokes(1.5, 0.5, 1.0, 170.0, 0.2, 9));
    let layers = [PrintedLayer { plan, file }];
    let documents = [Document { file: hits, what: "Hits".into(), instead: None }];
    let out = dir.path().join("out");
    let r = Request { layers: &layers, documents: &documents, ..request(&s, &out) };
    let d = handoff::make(&r, &Quiet).unwrap().delivered.unwrap();
    let files = contents(&d.zip);
    let mut listed: Vec<String> = d.manifest.files.iter().map(|f| f.path.clone()).collect();
    listed.extend([handoff::MANIFEST.to_owned(), handoff::CHECKSUMS.to_owned()]);
    listed.sort();
    assert_eq!(listed, files.keys().cloned().collect::<Vec<_>>());
    for expected in [
        "Sample Layers/LowTide_SnareFat_Layer_48k24.wav",
        "Documents/LowTide_Hits.csv",
        "Documents/LowTide_TempoMap.mid",
        "Documents/LowTide_Notes.txt",
        "Documents/LowTide_TrackSheet.html",
    ] {
        assert!(files.contains_key(expected), "{expected} not in {:#?}", files.keys());
    }
    let text = |name: &str| String::from_utf8(files[name].clone()).unwrap();
    assert!(text("Documents/LowTide_Notes.txt").contains("Snare tuned low on purpose."));
    // A layer has the sign that it was printed with, to fit its drum: it is no recording.
    let sheet = text("Documents/LowTide_TrackSheet.csv");
    let row = sheet.lines().find(|l| l.starts_with("Sample Layers/")).unwrap();
    assert!(row.contains("as printed") && !row.contains("as recorded"), "{row}");
    assert_eq!(text(handoff::CHECKSUMS).lines().count(), files.len() - 1);
    assert_eq!(fs::read_dir(&out).unwrap().count(), 1, "nothing but the zip is left in the folder");
}

#[test]
fn a_layer_that_was_pulled_to_the_grid_is_told_as_such_and_not_as_lying_under_the_drum() {
    let dir = tempfile::tempdir().unwrap();
    let s = song(dir.path(), 1.5);
    let plan = underlay::song::LayerPlan { pull: 60.0, ..layer("snare_fat", Drum::Snare) };
    let file = write(&dir.path().join("snare_fat.wav"), 1, &strokes(1.5, 0.5, 1.0, 170.0, 0.2, 9));
    let layers = [PrintedLayer { plan, file }];
    let out = dir.path().join("out");
    let d = handoff::make(&Request { layers: &layers, ..request(&s, &out) }, &Quiet).unwrap().delivered.unwrap();
    let files = contents(&d.zip);
    for paper in ["Notes.txt", "TrackSheet.csv", "TrackSheet.html"] {
        let text = String::from_utf8(files[&format!("Documents/LowTide_{paper}")].clone()).unwrap();
        let told = "pulled by 60 % to the grid; it does not lie under the played drum unless that is edited alike";
        assert!(text.contains(told), "{paper}: {text}");
        assert!(!text.contains("aligned with the drum") && !text.contains("layer under the"), "{paper}: {text}");
    }
}

#[test]
fn the_same_song_gives_the_same_zip_with_any_number_of_threads() {
    let dir = tempfile::tempdir().unwrap();
    let s = uneven(dir.path());
    let bytes = |threads: usize| {
        let out = dir.path().join(threads.to_string());
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        fs::read(pool.install(|| made(&s, &out)).zip).unwrap()
    };
    assert!(bytes(1) == bytes(4));
}

#[test]
fn a_revision_numbers_itself_says_what_changed_and_leaves_the_former_zip_alone() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    let mut s = song(dir.path(), 6.0);
    let first = made(&s, &out);
    assert_eq!((first.revision, first.fresh), (1, true));
    let old = fs::read(&first.zip).unwrap();

    // Nothing changed: the first one stands.
    let again = made(&s, &out);
    assert_eq!((again.revision, again.fresh), (1, false));

    // One fill is played anew (seconds 2 and 3), one polarity is decided anew, a part is dropped.
    let path = dir.path().join("snare_top.wav");
    let mut snare = strokes(6.0, 1.0, 1.0, 190.0, 0.4, 2);
    let mut other = noise(77);
    snare[2 * 48_000..4 * 48_000].iter_mut().for_each(|x| *x = 0.2 * other() as f32);
    write(&path, 1, &snare);
    s.mics[2].polarity = Polarity::Invert;
    s.tracks.retain(|t| t.kind == TrackKind::Guide);
    let second = made(&s, &out);
    assert_eq!((second.revision, second.fresh), (2, true));
    let c = second.changes.unwrap();
    assert_eq!(c.removed, ["Programming/LowTide_Shaker_48k24.wav"]);
    assert!(c.added.is_empty());
    let snare = c.changed.iter().find(|f| f.path.contains("Snare_Top")).unwrap();
    assert_eq!(snare.seconds, [(2, 4)]);
    let bottom = c.changed.iter().find(|f| f.path.contains("Snare_Bottom")).unwrap();
    assert_eq!(bottom.seconds, [(0, 6)]);
    assert_eq!(c.same, 4);
    assert!(c.decisions.iter().any(|d| d.what == "polarity of snare_bottom" && d.is.as_deref() == Some("inverted")));
    assert_eq!(fs::read(&first.zip).unwrap(), old);
    let notes = contents(&second.zip);
    let notes = std::str::from_utf8(&notes["Documents/LowTide_Notes.txt"]).unwrap();
    assert!(notes.contains("Changes since revision 1") && notes.contains("differs at 0:02 to 0:04"), "{notes}");
}

#[test]
fn what_is_wrong_with_a_recording_is_found_with_a_remedy() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    let base = || song(dir.path(), 3.0);
    let with = |drum, place, path: PathBuf| {
        let mut s = base();
        s.mics.push(mic(path, drum, place));
        looked(&s)
    };
    let beat = || strokes(3.0, 0.5, 1.0, 100.0, 0.4, 30);

    let h = with(Drum::Tom, Place::Close, write(&at("silent.wav"), 1, &vec![0.0; 144_000]));
    assert_eq!(find(&h, "digital silence").weight, Weight::Error);

    let mut clipped = beat();
    clipped[50_000..50_010].fill(1.0);
    let h = with(Drum::Tom, Place::Close, write(&at("clipped.wav"), 1, &clipped));
    assert_eq!(find(&h, "clips").weight, Weight::Caution);

    let shifted: Vec<f32> = beat().iter().map(|x| x + 0.02).collect();
    let h = with(Drum::Tom, Place::Close, write(&at("dc.wav"), 1, &shifted));
    find(&h, "does not rest at zero");

    let h = with(Drum::Tom, Place::Close, write(&at("short.wav"), 1, &beat()[..72_000]));
    find(&h, "ends 0:01.500 before the song does");

    let mut ringing = beat();
    let end = ringing.len() - 1_000;
    ringing[end..].iter_mut().enumerate().for_each(|(i, x)| *x = 0.3 * (i as f32 * 0.1).sin());
    let h = with(Drum::Tom, Place::Close, write(&at("ringing.wav"), 1, &ringing));
    let f = find(&h, "it still sounds");
    assert!(f.what.ends_with("where its recording ends, at 0:03.000") && !f.remedy.contains("song end"), "{f:?}");

    let both: Vec<f32> = beat().iter().flat_map(|&x| [x, x]).collect();
    let h = with(Drum::Percussion, Place::Stereo, write(&at("both.wav"), 2, &both));
    find(&h, "both channels of this stereo file are the same");

    let h = with(Drum::Tom, Place::Close, write(&at("copy_of_kick.wav"), 1, &strokes(3.0, 0.5, 1.0, 60.0, 0.5, 1)));
    assert_eq!(find(&h, "are the same recording").weight, Weight::Error);

    let spec = WavSpec { rate: RATE, channels: 1, format: SampleFormat::Float32 };
    let loud: Vec<f32> = beat().iter().map(|x| 5.0 * x).collect();
    let h = with(Drum::Tom, Place::Close, write_as(&at("over.wav"), spec, &loud));
    assert_eq!(find(&h, "floating point").weight, Weight::Error);

    let spec = WavSpec { rate: RATE, channels: 1, format: SampleFormat::Int16 };
    let h = with(Drum::Tom, Place::Close, write_as(&at("sixteen.wav"), spec, &beat()));
    find(&h, "16-bit recording; 24 bit adds no resolution");

    let mut s = base();
    s.handoff.rate = SampleRate::new(96_000).unwrap();
    find(&looked(&s), "going up to 96 kHz adds nothing");

    let mut s = base();
    s.mics[0].polarity = Polarity::Undecided;
    find(&looked(&s), "polarity of kick_in is not decided");

    let mut s = base();
    s.tracks[1].name = "Audio 3".into();
    find(&looked(&s), "does not tell what is on it");

    let mut s = base();
    let tempo = s.tempo.take().unwrap();
    find(&looked(&s), "no tempo is known");
    s.tempo = Some(tempo.with_bar_one(Seconds(2.0)));
    find(&looked(&s), "a count-in may have been left in");

    let mut s = base();
    s.end = Some(Seconds(1.51));
    let h = looked(&s);
    let f = find(&h, "4 of 7 files still sound where the song's end cuts them: kick_in -");
    assert!(f.remedy.contains("later song end"), "{f:?}");
    assert_eq!(h.findings.iter().filter(|f| f.what.contains("still sound")).count(), 1);

    // Nothing of this holds for the plain song.
    let h = looked(&base());
    assert!(h.findings.iter().all(|f| f.weight < Weight::Caution), "{:#?}", h.findings);
    for f in &h.findings {
        assert!(f.weight == Weight::Note || !f.remedy.is_empty());
    }
}

/// Writes a mono file that carries a time stamp.
fn stamped(path: &Path, reference: u64, x: &[f32]) -> PathBuf {
    let bext = Bext { time_reference: reference, ..Bext::default() };
    let extras = WavExtras { bext: Some(bext), ..WavExtras::default() };
    let spec = WavSpec { rate: RATE, channels: 1, format: SampleFormat::Int24 };
    let mut w = WavWriter::create_with(path, spec, extras).unwrap();
    w.write(x).unwrap();
    w.finish().unwrap();
    path.to_owned()
}

#[test]
fn a_time_stamp_that_differs_from_the_other_mics_is_told_and_a_common_one_is_set_to_zero() {
    let dir = tempfile::tempdir().unwrap();
    let stamped = |name: &str, reference: u64, x: &[f32]| stamped(&dir.path().join(name), reference, x);
    // One hour, as sessions often start: 172,800,000 samples at 48 kHz (EBU Tech 3285's field counts from midnight).
    let hour = 172_800_000;
    let mut s = song(dir.path(), 3.0);
    s.mics = ["a", "b", "c"]
        .iter()
        .enumerate()
        .map(|(i, n)| {
            let x = strokes(3.0, 0.5, 1.0, 70.0 + 40.0 * i as f64, 0.4, i as u32);
            mic(stamped(&format!("{n}.wav"), hour, &x), Drum::Tom, Place::Close)
        })
        .collect();
    let h = looked(&s);
    assert_eq!(find(&h, "time stamp starts at 1:00:00.000; the delivered copy starts at zero").weight, Weight::Note);
    // A file that is as much shorter as its stamp says was cut at its start.
    let late = strokes(2.0, 0.5, 1.0, 300.0, 0.4, 9);
    s.mics.push(mic(stamped("late.wav", hour + 48_000, &late), Drum::Snare, Place::Top));
    assert_eq!(find(&looked(&s), "starts 0:01.000 later than the other mics").weight, Weight::Error);
}

#[test]
fn mics_without_a_time_stamp_say_nothing_about_the_place_of_one_that_has_one() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    // Five mics carry no stamp; one starts an hour into the day.
    let mut s = song(dir.path(), 3.0);
    let hour = 172_800_000;
    let whole = stamped(&at("a.wav"), hour, &strokes(3.0, 0.5, 1.0, 110.0, 0.4, 11));
    s.mics.push(mic(whole, Drum::Tom, Place::Close));
    let h = looked(&s);
    assert!(h.findings.iter().all(|f| !f.what.contains("than the other mics")), "{:#?}", h.findings);
    // One second of stamp and a file that is a second shorter: against mics without a stamp it stops nothing.
    let short = stamped(&at("b.wav"), 48_000, &strokes(2.0, 0.5, 1.0, 150.0, 0.4, 12));
    s.mics[5] = mic(short, Drum::Tom, Place::Close);
    let h = looked(&s);
    assert_eq!(h.errors(), 0, "{:#?}", h.findings);
    assert!(h.findings.iter().all(|f| !f.what.contains("than the other mics")), "{:#?}", h.findings);
    // Against one that carries another stamp it does.
    let zero = stamped(&at("c.wav"), 0, &strokes(3.0, 0.5, 1.0, 90.0, 0.4, 13));
    s.mics.push(mic(zero, Drum::Tom, Place::Close));
    assert_eq!(find(&looked(&s), "starts 0:01.000 later than the other mics").weight, Weight::Error);
}

#[test]
fn errors_stop_the_handoff_before_anything_is_written() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 1.5);
    s.mics.push(mic(write(&dir.path().join("tom.wav"), 1, &vec![0.0; 72_000]), Drum::Tom, Place::Close));
    let out = dir.path().join("out");
    let h = handoff::make(&request(&s, &out), &Quiet).unwrap();
    assert!(h.delivered.is_none());
    assert_eq!((h.errors(), h.findings[0].weight), (1, Weight::Error));
    assert!(!out.exists());
}

#[test]
fn folders_and_templates_that_cannot_be_used_are_mistakes_of_the_sheet() {
    let dir = tempfile::tempdir().unwrap();
    let s = song(dir.path(), 1.5);
    let e = |change: &dyn Fn(&mut Song)| {
        let mut s = s.clone();
        change(&mut s);
        handoff::look(&request(&s, dir.path()), &Quiet).unwrap_err()
    };
    let out = e(&|s| s.handoff.folders[0] = "../../elsewhere".into());
    assert_eq!(out.exit_code(), ExitCode::Input);
    assert!(out.to_string().contains("would leave the delivery"), "{out}");
    let own = e(&|s| s.handoff.folders[1] = "Manifest.json".into());
    assert!(own.to_string().contains("which every delivery holds") && own.exit_code() == ExitCode::Input, "{own}");
    assert!(e(&|s| s.handoff.names = "{mic}".into()).remedy().contains("artist, song, drum"));
    assert!(e(&|s| s.handoff.bits = 20).to_string().contains("20 bit"));
}

#[test]
fn a_track_and_a_document_of_one_path_are_a_mistake_of_the_sheet() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 1.5);
    let sound = write(&dir.path().join("sound.wav"), 2, &vec![0.1; 144_000]);
    let looked = |s: &Song, what: &str| {
        let documents = [Document { file: sound.clone(), what: what.into(), instead: None }];
        handoff::look(&Request { documents: &documents, ..request(s, dir.path()) }, &Quiet)
    };
    // The programmed part goes among the documents, under a name that one of them has.
    s.handoff.folders[1] = "documents".into();
    s.handoff.names = "{song}_{name}".into();
    s.tracks[1].name = "spoken notes".into();
    let e = looked(&s, "SpokenNotes").unwrap_err();
    assert!(e.to_string().contains("would both be delivered as"), "{e}");
    assert!(e.exit_code() == ExitCode::Input && e.remedy().contains("names or folders"), "{e}");
    assert!(looked(&s, "Other").is_ok());
    // A rough mix is one of the audio files, which are told apart by themselves.
    s.tracks[1].name = "rough mix".into();
    assert!(looked(&s, "RoughMix").is_ok());
    // A folder that is called as a document cannot be unpacked beside it.
    s.handoff.folders[0] = "Documents/LowTide_notes.txt".into();
    let e = looked(&s, "Other").unwrap_err();
    assert!(e.to_string().contains("the folder Documents/LowTide_notes.txt would have the path of"), "{e}");
}

/// Does something once when a step of a given name begins or gets on.
struct When<'a> {
    step: &'a str,
    act: Mutex<Option<Box<dyn FnOnce() + Send + 'a>>>,
    now: Mutex<String>,
}

impl<'a> When<'a> {
    fn new(step: &'a str, act: impl FnOnce() + Send + 'a) -> Self {
        Self { step, act: Mutex::new(Some(Box::new(act))), now: Mutex::new(String::new()) }
    }
}

impl Progress for When<'_> {
    fn begin(&self, what: &str, _total: u64) {
        what.clone_into(&mut self.now.lock().unwrap());
    }
    fn advance(&self, _units: u64) {
        let due = *self.now.lock().unwrap() == self.step;
        if let Some(act) = due.then(|| self.act.lock().unwrap().take()).flatten() {
            act();
        }
    }
    fn end(&self) {}
}

fn interrupted(s: &Song, out: &Path, step: &str, act: impl FnOnce() + Send) -> Result<Handoff> {
    handoff::make(&request(s, out), &When::new(step, act))
}

#[test]
fn a_recording_that_changes_meanwhile_stops_the_handoff_and_nothing_is_left() {
    for step in ["looking at every file", "packing", "checking the zip"] {
        let dir = tempfile::tempdir().unwrap();
        let s = song(dir.path(), 2.0);
        let out = dir.path().join("out");
        let last = dir.path().join("shaker.wav");
        let e = interrupted(&s, &out, step, || {
            // In place, so that nobody who reads meanwhile finds the file empty.
            let b = fs::read(&last).unwrap();
            let mut file = fs::OpenOptions::new().write(true).open(&last).unwrap();
            file.seek(SeekFrom::End(-30)).unwrap();
            file.write_all(&[b[b.len() - 30] ^ 0x55]).unwrap();
            // The time stamp of a file system may be too coarse to tell; its length is not.
            file.seek(SeekFrom::End(0)).unwrap();
            file.write_all(&[0, 0]).unwrap();
        });
        // A change so early that nothing of the file had been read yet is simply the new recording.
        match e {
            Err(e) => {
                assert!(e.to_string().contains("shaker.wav: this file changed"), "{step}: {e}");
                assert_eq!(e.exit_code(), ExitCode::Input);
                assert!(fs::read_dir(&out).map_or(0, Iterator::count) == 0, "{step}");
            }
            Ok(_) => assert_eq!(step, "looking at every file"),
        }
    }
}

#[cfg(unix)]
#[test]
fn a_folder_that_vanishes_is_an_output_error_and_the_recordings_stay() {
    let dir = tempfile::tempdir().unwrap();
    let s = song(dir.path(), 2.0);
    let out = dir.path().join("out");
    for step in ["packing", "checking the zip"] {
        let e = interrupted(&s, &out, step, || fs::remove_dir_all(&out).unwrap()).unwrap_err();
        assert_eq!(e.exit_code(), ExitCode::Output, "{step}: {e}");
        assert!(!out.exists());
    }
    assert!(s.mics.iter().all(|m| AudioReader::open(&m.info.path).is_ok()));
}
