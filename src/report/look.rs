//! Colours, marks and line patterns: one of each for every drum, the same in every picture.

use super::picture::{Align, Dash, Picture};
use crate::hits::Kind;
use crate::song::Drum;

/// Pictures are drawn in tenths of a point.
pub(super) const TENTH: f64 = 10.0;
/// The drawing backend divides font sizes by this.
pub(super) const LETTER: f64 = 1.24;

/// Size of small text, of text, and of headings in pictures, points.
pub const SMALL: f64 = 11.0;
/// Text.
pub const TEXT: f64 = 12.5;
/// Headings.
pub const HEAD: f64 = 14.5;

/// What a shape is drawn with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ink {
    /// Words and axes.
    Text,
    /// Less important words.
    Muted,
    /// Grid lines and bands.
    Faint,
    /// The ground.
    Paper,
    /// A drum's colour.
    Of(Drum),
    /// Something early, or lost, or inverted: the palette's blue.
    Cold,
    /// Something late, or in the way: the palette's vermilion.
    Warm,
    /// Something gained or well: the palette's green.
    Good,
}

impl Ink {
    /// Red, green, blue. Drums have the colours of Okabe and Ito (2008), "Color universal design", which stay apart
    /// for colour-blind eyes.
    #[must_use]
    pub fn rgb(self) -> (u8, u8, u8) {
        match self {
            Ink::Text => (0x1D, 0x1D, 0x1B),
            Ink::Muted => (0x6B, 0x6A, 0x66),
            Ink::Faint => (0xDD, 0xDB, 0xD4),
            Ink::Paper => (0xFF, 0xFF, 0xFF),
            Ink::Of(Drum::Kick) | Ink::Cold => (0x00, 0x72, 0xB2),
            Ink::Of(Drum::Snare) | Ink::Warm => (0xD5, 0x5E, 0x00),
            Ink::Of(Drum::Tom) | Ink::Good => (0x00, 0x9E, 0x73),
            Ink::Of(Drum::Hat) => (0xE6, 0x9F, 0x00),
            Ink::Of(Drum::Ride) => (0x56, 0xB4, 0xE9),
            Ink::Of(Drum::Cymbal) => (0xCC, 0x79, 0xA7),
            Ink::Of(Drum::Percussion) => (0xF0, 0xE4, 0x42),
            Ink::Of(Drum::Overhead) => (0x00, 0x00, 0x00),
            Ink::Of(Drum::Room) => (0x80, 0x80, 0x7C),
        }
    }
}

/// The line pattern of a drum.
#[must_use]
pub fn dash_of(drum: Drum) -> Dash {
    match drum {
        Drum::Kick => &[],
        Drum::Snare => &[9.0, 3.5],
        Drum::Tom => &[2.5, 2.5],
        Drum::Hat => &[6.0, 2.5, 1.5, 2.5],
        Drum::Ride => &[12.0, 4.0],
        Drum::Cymbal => &[12.0, 3.0, 2.0, 3.0],
        Drum::Percussion => &[4.0, 4.0],
        Drum::Overhead => &[1.5, 3.0],
        Drum::Room => &[3.0, 6.0],
    }
}

impl Picture {
    /// A drum's mark: kick a disc, snare a diamond, toms a square, hats a cross, everything else a triangle. Hits
    /// are large and filled, ghost notes large and hollow, grace notes small and filled, rolls small and hollow.
    pub fn mark(&mut self, at: (f64, f64), drum: Drum, kind: Kind) {
        let (size, hollow) = match kind {
            Kind::Hit => (4.0, false),
            Kind::Ghost => (4.0, true),
            Kind::Flam => (2.6, false),
            Kind::Roll => (2.8, true),
        };
        self.mark_sized(at, drum, size, hollow);
    }

    /// A drum's mark in a size of one's own.
    pub fn mark_sized(&mut self, at: (f64, f64), drum: Drum, size: f64, hollow: bool) {
        let ink = Ink::Of(drum);
        let (x, y) = at;
        let outline: Vec<(f64, f64)> = match drum {
            Drum::Kick => {
                self.disc(at, size, ink);
                if hollow {
                    self.disc(at, size - 1.3, Ink::Paper);
                }
                return;
            }
            Drum::Hat => {
                let s = size * 0.85;
                let weight = if hollow { 1.0 } else { 2.0 };
                self.line(vec![(x - s, y - s), (x + s, y + s)], ink, weight);
                self.line(vec![(x - s, y + s), (x + s, y - s)], ink, weight);
                return;
            }
            Drum::Snare => {
                let s = size * 1.3;
                vec![(x, y - s), (x + s, y), (x, y + s), (x - s, y)]
            }
            Drum::Tom => {
                let s = size * 0.9;
                vec![(x - s, y - s), (x + s, y - s), (x + s, y + s), (x - s, y + s)]
            }
            _ => {
                let s = size * 1.25;
                vec![(x, y - s), (x + s * 0.95, y + s * 0.7), (x - s * 0.95, y + s * 0.7)]
            }
        };
        if hollow {
            self.area(outline.clone(), Ink::Paper, 1.0);
            let closed = outline.iter().chain(outline.first()).copied().collect();
            self.line(closed, ink, 1.3);
        } else {
            self.area(outline, ink, 1.0);
        }
    }

    /// A ring around a mark: this hit is doubtful.
    pub fn ring(&mut self, at: (f64, f64), radius: f64) {
        let circle = (0..=24)
            .map(|k| {
                let a = f64::from(k) * std::f64::consts::TAU / 24.0;
                (at.0 + radius * a.cos(), at.1 + radius * a.sin())
            })
            .collect();
        self.line(circle, Ink::Text, 1.1);
    }

    /// The key to the marks of one drum, from right to left, ending at a point; kinds that do not occur are left out.
    pub fn key_of_marks(&mut self, right: f64, y: f64, drum: Drum, kinds: &[Kind], doubtful: bool) {
        let mut x = right;
        if doubtful {
            x = self.key_entry(x, y, "doubtful", |p, at| p.ring(at, 5.5));
        }
        for kind in [Kind::Roll, Kind::Flam, Kind::Ghost, Kind::Hit] {
            if kinds.contains(&kind) {
                let word = if kind == Kind::Flam { "grace note".to_owned() } else { kind.to_string() };
                x = self.key_entry(x, y, &word, |p, at| p.mark(at, drum, kind));
            }
        }
    }

    /// One entry of a key, right-aligned at x; returns where the next one ends.
    pub fn key_entry(&mut self, right: f64, y: f64, word: &str, draw: impl FnOnce(&mut Self, (f64, f64))) -> f64 {
        self.text((right, y), word, SMALL, Align::End, Ink::Muted);
        let x = right - super::paint::text_width(word, SMALL) - 9.0;
        draw(self, (x, y));
        x - 18.0
    }
}
