//! The words that people use in file names, and what they mean.

use super::Sureness::{self, Guess, Likely, Sure};
use crate::song::{Drum, Place, TrackKind};

/// What a word of a file name points at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Points {
    /// A drum of the kit.
    At(Drum),
    /// A track that is not a mic.
    Track(TrackKind),
    /// Another instrument.
    Other,
}

/// One word: what it points at, where the mic stands, a word for the mic's name (`floor`), and how sure that is.
#[derive(Clone, Copy, Debug)]
pub(super) struct Word {
    pub points: Option<Points>,
    pub place: Option<Place>,
    pub tag: Option<&'static str>,
    pub sure: Sureness,
}

/// What a lower-case word means, if anything.
pub(super) fn meaning(word: &str) -> Option<Word> {
    drum(word).or_else(|| place(word)).or_else(|| track(word))
}

fn at(drum: Drum, sure: Sureness) -> Option<Word> {
    Some(Word { points: Some(Points::At(drum)), place: None, tag: None, sure })
}

fn both(drum: Drum, place: Place, sure: Sureness) -> Option<Word> {
    Some(Word { points: Some(Points::At(drum)), place: Some(place), tag: None, sure })
}

fn tagged(drum: Drum, tag: &'static str, sure: Sureness) -> Option<Word> {
    Some(Word { points: Some(Points::At(drum)), place: None, tag: Some(tag), sure })
}

/// Words for drums, in English, German and the commonest ones of French, Spanish and Italian sessions.
fn drum(word: &str) -> Option<Word> {
    use Drum::{Cymbal, Hat, Kick, Overhead, Percussion, Ride, Room, Snare, Tom};
    match word {
        "kick" | "kicks" | "kickdrum" | "kik" | "bd" | "bassdrum" | "basedrum" | "basstrommel" | "grossetrommel" => {
            at(Kick, Sure)
        }
        "kck" | "kic" | "kd" | "kk" | "kickd" | "bassd" | "grossecaisse" | "bombo" | "grancassa" | "cassa" => {
            at(Kick, Likely)
        }
        "k" | "gc" | "bdr" => at(Kick, Guess),
        "subkick" | "kicksub" => both(Kick, Place::Sub, Sure),
        "kin" | "bdi" => both(Kick, Place::In, Likely),
        "kout" | "bdo" => both(Kick, Place::Out, Likely),
        "snare" | "snares" | "snaredrum" | "snr" | "kleinetrommel" => at(Snare, Sure),
        "sn" | "sd" | "snar" | "snre" | "sna" | "snd" | "caisseclaire" | "rullante" | "caja" => at(Snare, Likely),
        "snt" | "sdt" => both(Snare, Place::Top, Likely),
        "snb" | "sdb" => both(Snare, Place::Bottom, Likely),
        "hat" | "hats" | "hihat" | "hihats" | "hh" => at(Hat, Sure),
        "charley" | "charleston" | "hht" | "hhat" => at(Hat, Likely),
        "tom" | "toms" => at(Tom, Sure),
        "floortom" | "floor" | "standtom" => tagged(Tom, "floor", Sure),
        "racktom" | "rack" | "haengetom" => tagged(Tom, "rack", Sure),
        "ft" | "flr" | "flt" => tagged(Tom, "floor", Likely),
        "rt" | "rk" => tagged(Tom, "rack", Likely),
        "tm" | "tt" | "t" | "tms" => at(Tom, Likely),
        "ride" => at(Ride, Sure),
        "rd" | "rid" => at(Ride, Likely),
        "crash" => tagged(Cymbal, "crash", Sure),
        "china" => tagged(Cymbal, "china", Sure),
        "splash" => tagged(Cymbal, "splash", Sure),
        "cymbal" | "cymbals" | "becken" => at(Cymbal, Sure),
        "cym" | "cyms" | "cr" => at(Cymbal, Likely),
        "overhead" | "overheads" | "oh" | "ohs" | "ovhd" | "ovh" => at(Overhead, Sure),
        "ohd" | "over" | "overs" | "ovr" | "overhd" | "galgen" => at(Overhead, Likely),
        "ohl" => both(Overhead, Place::Left, Sure),
        "ohr" => both(Overhead, Place::Right, Sure),
        "room" | "rooms" | "raum" | "raeume" | "ambience" => at(Room, Sure),
        "rm" | "rms" | "amb" | "ambi" | "ambient" | "ambiente" | "hall" => at(Room, Likely),
        "far" => tagged(Room, "far", Likely),
        "crush" | "trash" | "smash" => tagged(Room, "crush", Guess),
        "conga" | "congas" | "bongo" | "bongos" | "cowbell" | "cajon" | "woodblock" | "timbale" | "timbales" => {
            at(Percussion, Likely)
        }
        _ => None,
    }
}

/// Words for places.
fn place(word: &str) -> Option<Word> {
    let place = match word {
        "in" | "inside" | "inner" | "innen" | "int" | "ins" => Place::In,
        "out" | "outside" | "outer" | "aussen" | "ext" | "front" | "reso" | "resonant" | "resonanz" => Place::Out,
        "sub" | "subs" => Place::Sub,
        "top" | "tp" | "up" | "upper" | "oben" | "batter" | "above" => Place::Top,
        "bottom" | "btm" | "bot" | "bottm" | "bttm" | "botm" | "bt" | "dn" | "down" | "dwn" | "under" | "unten"
        | "below" | "lower" => Place::Bottom,
        "side" | "shell" | "seite" | "kessel" => Place::Side,
        "l" | "left" | "links" | "lft" | "li" => Place::Left,
        "r" | "right" | "rechts" | "rgt" | "re" => Place::Right,
        "mono" | "m" | "mid" | "middle" | "center" | "centre" | "c" | "mitte" => Place::Mono,
        "stereo" | "st" | "lr" | "str" => Place::Stereo,
        "close" => Place::Close,
        _ => return None,
    };
    let tag = match word {
        "mid" | "middle" | "mitte" => Some("mid"),
        _ => None,
    };
    Some(Word { points: None, place: Some(place), tag, sure: Sure })
}

/// Words for what is not a mic of the kit.
fn track(word: &str) -> Option<Word> {
    use TrackKind::{Click, Guide, Programming};
    let (points, sure) = match word {
        "click" | "clicks" | "klick" | "metronome" | "metronom" | "metro" | "clk" => (Points::Track(Click), Sure),
        "guide" | "2mix" | "twomix" | "roughmix" | "rough" | "playback" | "backing" => (Points::Track(Guide), Sure),
        "mix" | "master" | "demo" | "bounce" | "ref" | "reference" | "pilot" | "premix" | "instrumental"
        | "mixdown" | "layout" => (Points::Track(Guide), Likely),
        "perc" | "percussion" | "perk" | "loop" | "loops" | "shaker" | "shk" | "tamb" | "tambo" | "tambourine"
        | "schellenkranz" | "prog" | "programming" | "programmed" | "808" | "909" | "clap" | "claps" | "beat" => {
            (Points::Track(Programming), Likely)
        }
        "sample" | "samples" | "smp" | "smpl" | "trig" | "trigger" | "triggers" | "midi" => {
            (Points::Track(Programming), Guess)
        }
        "bass" | "bas" | "gtr" | "guitar" | "guitars" | "git" | "gitarre" | "vox" | "vocal" | "vocals" | "voc"
        | "gesang" | "piano" | "keys" | "synth" | "strings" | "organ" | "pad" | "talkback" | "tb" | "lead" => {
            (Points::Other, Likely)
        }
        _ => return None,
    };
    Some(Word { points: Some(points), place: None, tag: None, sure })
}

/// Words that describe the kind of a tom.
pub(super) fn tom_tag(word: &str) -> Option<&'static str> {
    match word {
        "hi" | "high" | "hoch" | "small" => Some("high"),
        "lo" | "low" | "tief" | "big" | "large" => Some("low"),
        "mid" | "middle" | "mitte" => Some("mid"),
        _ => None,
    }
}
