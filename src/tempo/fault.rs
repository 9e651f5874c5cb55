//! What can be wrong with a tempo map, a grid word or a MIDI file's tempo track.

use crate::error::{ExitCode, Fault};

/// Why changes of tempo and meter do not make a tempo map.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum TempoFault {
    /// Nothing says how the song begins; the word is `tempo` or `meter`.
    #[error("no {0} is given for the song's first bar")]
    NoBeginning(&'static str),
    /// Two changes at one place, or a later one written first.
    #[error("the {what} change at bar {bar} does not come after the one before it")]
    Order {
        /// `tempo` or `meter`.
        what: &'static str,
        /// Bar of the change that comes too early.
        bar: i64,
    },
    /// A tempo that no MIDI file can store, or that no music has.
    #[error("the tempo at bar {bar} is {bpm:.2} BPM")]
    Tempo {
        /// Quarter notes a minute.
        bpm: f64,
        /// Its bar.
        bar: i64,
    },
    /// A meter with no or too many beats, or with a beat that is no note value.
    #[error("{beats}/{unit} is not a meter")]
    Meter {
        /// Beats a bar.
        beats: u8,
        /// Note value of a beat.
        unit: u8,
    },
    /// A meter that begins inside a bar.
    #[error("the meter {meter} begins inside bar {bar}, at beat {beat}")]
    InsideBar {
        /// The meter that begins there.
        meter: super::Meter,
        /// Bar that it would cut.
        bar: i64,
        /// Beat of that bar.
        beat: u32,
    },
    /// A bar number that lies before the map begins.
    #[error("bar {0} lies before the song's first bar")]
    Bar(i64),
    /// Longer than any song.
    #[error("the tempo map reaches further than {} hours", super::TempoMap::MAX_HOURS)]
    TooLong,
    /// Bar 1 lies nowhere.
    #[error("bar 1 would lie {0} seconds after the start of the audio")]
    BarOne(f64),
}

impl Fault for TempoFault {
    fn remedy(&self) -> String {
        match self {
            TempoFault::NoBeginning(what) => format!("Give a {what} for bar 1."),
            TempoFault::Order { .. } => "Write the changes in the order of their bars, one a bar.".into(),
            TempoFault::Tempo { .. } => {
                format!("Give a tempo between {} and {} BPM.", crate::units::Bpm::MIN, crate::units::Bpm::MAX)
            }
            TempoFault::Meter { .. } => {
                "Write a meter such as 4/4, 7/8 or 6/8: 1 to 99 beats of a whole, half, 4th, 8th, 16th or 32nd.".into()
            }
            TempoFault::InsideBar { .. } => {
                "Let the meter change at a bar line; give a short bar its own meter, such as 2/4.".into()
            }
            TempoFault::Bar(_) => "Count bars from 1.".into(),
            TempoFault::TooLong => "Check the positions of the tempo and meter changes.".into(),
            TempoFault::BarOne(_) => "Give the place of bar 1 in seconds from the start of the audio.".into(),
        }
    }

    fn exit_code(&self) -> ExitCode {
        ExitCode::Input
    }
}

/// Why a grid's word is not understood.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("\"{word}\" is not a grid: {why}")]
pub struct GridFault {
    /// What was typed.
    pub word: String,
    /// What is wrong with it.
    pub why: String,
}

impl Fault for GridFault {
    fn remedy(&self) -> String {
        "Write 1/4, 1/8, 1/16 or 1/32, with a t for triplets (1/8t), or with swing (1/16 swing 60).".into()
    }

    fn exit_code(&self) -> ExitCode {
        ExitCode::Usage
    }
}

/// Why a Standard MIDI File cannot be used.
#[derive(Clone, Debug, thiserror::Error)]
pub enum MidiFault {
    /// The file is not there or cannot be read.
    #[error("cannot be read ({0})")]
    Unreadable(String),
    /// Not a MIDI file, or damaged.
    #[error("this MIDI file is damaged ({0})")]
    Damaged(String),
    /// Another kind of file under this name.
    #[error("this is not a MIDI file ({0})")]
    NotMidi(String),
    /// Readable, but of a kind that carries no usable tempo map.
    #[error("{0}")]
    Unsupported(String),
    /// Its changes of tempo and meter contradict each other.
    #[error("the tempo track cannot be used: {0}")]
    Tempo(TempoFault),
}

impl Fault for MidiFault {
    fn remedy(&self) -> String {
        match self {
            MidiFault::Unreadable(_) => "Check the spelling, the folder and that you may read the file.".into(),
            MidiFault::Damaged(_) => "Export the tempo track again as a Standard MIDI File.".into(),
            MidiFault::NotMidi(_) => "Name the tempo track's Standard MIDI File (.mid), or give a tempo in BPM.".into(),
            MidiFault::Unsupported(_) => {
                "Export the tempo track as a Standard MIDI File of format 0 or 1, in beats.".into()
            }
            MidiFault::Tempo(fault) => fault.remedy(),
        }
    }

    fn exit_code(&self) -> ExitCode {
        ExitCode::Input
    }
}
