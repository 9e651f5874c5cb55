//! Written parts: one bar is a few lines of signs, one sign a step of the bar.

/// Which hand or foot a line is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Lane {
    /// `x` stroke, `X` accent, `g` soft, `d` two in one step.
    Kick,
    /// `x` backbeat, `X` accent, `m` medium, `g` ghost, `f` flam, `d` drag, `r` two in one step, `t` three in one step, `c` cross-stick.
    Snare,
    /// `x` closed, `X` accent, `g` soft, `o` open, `p` foot.
    Hat,
    /// `x`, `X`, `g`.
    Ride,
    /// `x`, `X`.
    Crash,
    /// `x`, `X`, `g`.
    High,
    /// `x`, `X`, `g`.
    Floor,
}

/// One bar: as many steps as its lines are long, all lines alike. A sign of `.` is silence.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bar {
    /// Quarters in the bar.
    pub quarters: usize,
    /// Lines.
    pub lines: &'static [(Lane, &'static str)],
}

impl Bar {
    /// Steps of the bar.
    pub(super) fn steps(&self) -> usize {
        self.lines.iter().map(|(_, line)| line.len()).max().unwrap_or(0)
    }
}

/// A stretch of bars under one name and tempo.
#[derive(Clone, Debug)]
pub(super) struct Part {
    /// Marker text.
    pub name: String,
    /// Tempo against the song's.
    pub tempo: f64,
    /// Bars.
    pub bars: Vec<Bar>,
}

use Lane::{Crash, Floor, Hat, High, Kick, Ride, Snare};

const fn four(lines: &'static [(Lane, &'static str)]) -> Bar {
    Bar { quarters: 4, lines }
}

/// The demo song, "The Lighthouse Bicycle".
pub(super) fn story() -> Vec<Part> {
    let part = |name: &str, tempo: f64, bars: &[&Bar]| Part {
        name: name.into(),
        tempo,
        bars: bars.iter().map(|b| **b).collect(),
    };
    let hush = four(&[(Hat, "x.g.x.g.x.g.x.g."), (Kick, "x.............g.")]);
    let pickup = four(&[(Hat, "x.g.x.g.x.g.x..."), (Kick, "x.......x......."), (Snare, "..........g.g.fX")]);
    let verse_a = four(&[(Hat, "x.x.x.x.x.x.x.x."), (Kick, "x.......x.x....."), (Snare, "....x..g....x..g")]);
    let verse_b = four(&[(Hat, "x.x.x.x.x.x.x.o."), (Kick, "x..g....x.x..g.."), (Snare, "....x..g.g..x...")]);
    let verse_c = four(&[(Hat, "xgx.xgx.xgx.xgx."), (Kick, "x.......x.x....."), (Snare, "....x.gg.g..x.dx")]);
    let verse_fill = four(&[
        (Hat, "x.x.x.x........."),
        (Kick, "x.......x......x"),
        (Snare, "....x..gxrm....."),
        (High, "...........xx..."),
        (Floor, ".............xX."),
    ]);
    let lift_a = four(&[
        (Crash, "X..............."),
        (Ride, "..x.x.x.x.x.x.x."),
        (Kick, "x.....x.x......."),
        (Snare, "....X.......X..g"),
    ]);
    let lift_b = four(&[(Ride, "X.x.X.x.X.x.X.x."), (Kick, "x.x...x.x.x....."), (Snare, "....X..g....X...")]);
    let lift_c = four(&[(Ride, "X.x.X.x.X.x.X.x."), (Kick, "x..d..x.x......x"), (Snare, "....X..g.g..X.g.")]);
    let lift_fill = four(&[(Ride, "X.x.X.x........."), (Kick, "x.....x.x...x..."), (Snare, "....X..ggmrrfX.X")]);
    let shore_a = four(&[
        (Hat, "p...p...p...p..."),
        (Kick, "x.........x....."),
        (Snare, "........c......."),
        (Floor, "..g...x.....g.x."),
    ]);
    let shore_b = four(&[
        (Hat, "p...p...p...p..."),
        (Kick, "x.....g...x....."),
        (Snare, "........c.....c."),
        (Floor, "..g...x.....g.x."),
        (High, "...g........x..."),
    ]);
    let shore_end = four(&[(Kick, "x.......x......."), (Snare, "g.g.gggmmrmrrtrt"), (Hat, "p...p...p...p...")]);
    let half = Bar { quarters: 2, lines: &[(Snare, "fXmrrtXX"), (Kick, "x...x...")] };
    let end = four(&[(Crash, "X..............."), (Kick, "X..............."), (Snare, "fX..............")]);
    vec![
        part("Intro", 1.0, &[&hush, &pickup]),
        part("Verse", 1.0, &[&verse_a, &verse_b, &verse_a, &verse_c, &verse_a, &verse_b, &verse_c, &verse_fill]),
        part("Chorus", 108.0 / 104.0, &[&lift_a, &lift_b, &lift_c, &lift_b, &lift_a, &lift_b, &lift_c, &lift_fill]),
        part("Bridge", 96.0 / 104.0, &[&shore_a, &shore_b, &shore_a, &shore_end]),
        part("Turn", 1.0, &[&half]),
        part("Last chorus", 108.0 / 104.0, &[&lift_a, &lift_c, &lift_b, &lift_fill]),
        part("End", 100.0 / 104.0, &[&end]),
    ]
}

/// Bars to draw from for each general style: the usual ones and the fills.
pub(super) fn vocabulary(style: super::spec::Style) -> (&'static [Bar], &'static [Bar]) {
    use super::spec::Style;
    match style {
        Style::Ghosted => (GHOSTED, FILLS),
        Style::Triplet => (TRIPLET, TRIPLET_FILLS),
        Style::HalfTime => (HALF_TIME, FILLS),
        Style::Rolling => (ROLLING, FILLS),
        Style::Fast => (FAST, FAST_FILLS),
        Style::Soft => (SOFT, SOFT_FILLS),
        Style::Straight | Style::Story => (STRAIGHT, FILLS),
    }
}

const STRAIGHT: &[Bar] = &[
    four(&[(Hat, "x.x.x.x.x.x.x.x."), (Kick, "x.......x......."), (Snare, "....x.......x...")]),
    four(&[(Hat, "X.x.X.x.X.x.X.x."), (Kick, "x.....x.x......."), (Snare, "....X.......X...")]),
    four(&[(Hat, "x.x.x.x.x.x.x.o."), (Kick, "x..x..x...x....."), (Snare, "....x.......x..g")]),
    four(&[(Ride, "X.x.X.x.X.x.X.x."), (Kick, "x.x.....x.x..x.."), (Snare, "....X.......X...")]),
    four(&[
        (Crash, "X..............."),
        (Hat, "..o.o.o.o.o.o.o."),
        (Kick, "x.....x.x.x....."),
        (Snare, "....X.......X..."),
    ]),
];

const GHOSTED: &[Bar] = &[
    four(&[(Hat, "xgxgxgxgxgxgxgxg"), (Kick, "x..x......x..x.."), (Snare, "....x..g.g..x..g")]),
    four(&[(Hat, "X.xgX.xgX.xgX.xo"), (Kick, "x.x....x..x....."), (Snare, ".g..X..g.g.gX.g.")]),
    four(&[(Hat, "x.x.x.x.x.xox.x."), (Kick, "x.....x...xx...."), (Snare, "....x.gg.g..x.dg")]),
    four(&[(Hat, "xgx.xgx.xgx.xgx."), (Kick, "x..g..x..x....x."), (Snare, "..g.X..g..g.X..g")]),
    four(&[(Hat, "x.xxx.xxx.xxx.xx"), (Kick, "x.d.......x..d.."), (Snare, "..ggx..g.ggmx.g.")]),
];

const TRIPLET: &[Bar] = &[
    four(&[(Ride, "x..x.gx..x.g"), (Hat, "...p.....p.."), (Kick, "g.....g....."), (Snare, ".....g..g...")]),
    four(&[(Ride, "X..x.xX..x.x"), (Hat, "...p.....p.."), (Kick, "x.......x..."), (Snare, "..g.....m..g")]),
    four(&[(Hat, "x.xx.xx.xx.x"), (Kick, "x....xx....."), (Snare, "...x..g..x.g")]),
    four(&[(Ride, "x..x.gx..x.g"), (Hat, "...p.....p.."), (Kick, "x..g..x..g.."), (Snare, ".g...m..g.d.")]),
];

const HALF_TIME: &[Bar] = &[
    four(&[(Hat, "x.x.x.x.x.x.x.x."), (Kick, "x..........x...."), (Snare, "........X......g")]),
    four(&[(Hat, "xgxgxgxgxgxgxgxr"), (Kick, "x..x......x....."), (Snare, "..g.....X..g..g.")]),
    four(&[(Hat, "x.xxx.x.x.xxx.xx"), (Kick, "x.....d.......x."), (Snare, "........x....g..")]),
    four(&[
        (Crash, "X..............."),
        (Ride, "....x...x...x..."),
        (Kick, "x.............xx"),
        (Snare, "........X......f"),
    ]),
];

const ROLLING: &[Bar] = &[
    four(&[
        (Hat, "x.x.x.x.x.x.x.x."),
        (Kick, "x..x..x...x..x.."),
        (Snare, "c..c..c...c..c.."),
        (High, "............x.x."),
    ]),
    four(&[(Floor, "x..x..x.x..x..x."), (Kick, "x.......x......."), (Snare, "....c..c....X...")]),
    four(&[
        (High, "..x..x....x..x.."),
        (Floor, "x..x..x.x..x..xx"),
        (Kick, "x...x...x...x..."),
        (Snare, "....m..g....x.gg"),
    ]),
    four(&[(Ride, "x.xx.x.xx.xx.x.x"), (Kick, "x..x....x..x...."), (Snare, "..c...c...c..c..")]),
];

const FAST: &[Bar] = &[
    four(&[
        (Crash, "X..............."),
        (Ride, "..x.x.x.x.x.x.x."),
        (Kick, "x.x...x.x.x....."),
        (Snare, "....X.......X..."),
    ]),
    four(&[(Hat, "X.x.X.x.X.x.X.x."), (Kick, "xxxxxxxxxxxxxxxx"), (Snare, "....X.......X...")]),
    four(&[(Hat, "o.o.o.o.o.o.o.o."), (Kick, "x.xx..x.x.xx..xx"), (Snare, "....X.......X..m")]),
    four(&[(Ride, "X.x.X.x.X.x.X.x."), (Kick, "x.x.x.x.x.x.x.x."), (Snare, "..x...x...x...x.")]),
];

const SOFT: &[Bar] = &[
    four(&[(Ride, "x...x.g.x...x.g."), (Kick, "g.......g......."), (Snare, "....m.......m...")]),
    four(&[(Hat, "x...x...x...x..."), (Kick, "x.......g.g....."), (Snare, "....c.......c...")]),
    four(&[(Hat, "x.g.x.g.x.g.x.g."), (Kick, "g.........g....."), (Snare, "..g.m..g..g.m.g.")]),
];

const FILLS: &[Bar] = &[
    four(&[
        (Hat, "x.x.x.x........."),
        (Kick, "x.......x...x..."),
        (Snare, "....x...mrmr...."),
        (High, "............xx.."),
        (Floor, "..............xX"),
    ]),
    four(&[(Hat, "x.x.x.x.x......."), (Kick, "x.......x......x"), (Snare, "....x..g.gdxrrXX")]),
    four(&[
        (Kick, "x...x...x...x..."),
        (Snare, "fX..gg..fX..rrtX"),
        (High, "..xx............"),
        (Floor, "......xX..xx...."),
    ]),
    four(&[(Hat, "x.x.x.x.x.x....."), (Kick, "x.......x.x....."), (Snare, "....x.......rrrr")]),
];

const TRIPLET_FILLS: &[Bar] = &[
    four(&[(Ride, "x..x........"), (Kick, "x.....x....."), (Snare, "...mggmmgr..")]),
    four(&[
        (Hat, "...p.....p.."),
        (Kick, "x.....x....."),
        (Snare, "gmgf........"),
        (High, "......xx...."),
        (Floor, "........xxX."),
    ]),
];

const FAST_FILLS: &[Bar] = &[
    four(&[
        (Kick, "x.x.x.x.x.x.x.x."),
        (Snare, "xxxxmmmmxx..XX.."),
        (High, "..........xx...."),
        (Floor, "..............XX"),
    ]),
    four(&[(Kick, "x...x...x...x..."), (Snare, "X.mmX.mmX.XXX.fX"), (Crash, "..............X.")]),
];

const SOFT_FILLS: &[Bar] = &[
    four(&[(Ride, "x...x...x......."), (Kick, "g.......g......."), (Snare, "....m..g.gggmgrg")]),
    four(&[
        (Kick, "x.......x......."),
        (Snare, "..g.m.g......dm."),
        (High, "........x.x....."),
        (Floor, "............x..."),
    ]),
];

#[cfg(test)]
mod tests {
    use super::super::spec::Style;
    use super::*;

    #[test]
    fn every_line_of_a_bar_has_as_many_steps_as_the_others_and_known_signs() {
        let mut bars: Vec<Bar> = story().into_iter().flat_map(|p| p.bars).collect();
        for style in Style::GENERAL {
            let (usual, fills) = vocabulary(style);
            bars.extend(usual);
            bars.extend(fills);
        }
        for bar in bars {
            assert_eq!(bar.steps() % bar.quarters, 0, "{bar:?}");
            for (lane, line) in bar.lines {
                assert_eq!(line.len(), bar.steps(), "{lane:?} {line}");
                let signs = match lane {
                    Kick => ".xXgd",
                    Snare => ".xXmgfdrtc",
                    Hat => ".xXgopr",
                    _ => ".xXg",
                };
                assert!(line.chars().all(|c| signs.contains(c)), "{lane:?} {line}");
            }
        }
    }
}
