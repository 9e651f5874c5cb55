//! A picture as a list of simple shapes, drawn the same way into SVG and PNG.
//!
//! Lengths are in points of the picture (1 px of an unscaled screen), x to the right, y downwards.

use super::look::{Ink, LETTER, TENTH};
use super::paint::Sheet;
use crate::error::Result;
use plotters::prelude::{DrawingBackend, IntoFont, RGBAColor, SVGBackend, ShapeStyle, TextStyle};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{FontStyle, FontTransform};

/// How text lies at its point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Align {
    /// It begins there.
    Start,
    /// It is centred there.
    Middle,
    /// It ends there.
    End,
}

/// How a line is broken: lengths of dash and gap in turn; empty = unbroken.
pub type Dash = &'static [f64];

#[derive(Clone, Debug, PartialEq)]
enum Shape {
    Line { points: Vec<(f64, f64)>, ink: Ink, weight: f64, strength: f64 },
    Area { points: Vec<(f64, f64)>, ink: Ink, strength: f64 },
    Disc { at: (f64, f64), radius: f64, ink: Ink },
    Text { at: (f64, f64), text: String, size: f64, align: Align, ink: Ink, bold: bool, upright: bool },
}

/// A picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    name: String,
    title: String,
    width: f64,
    height: f64,
    shapes: Vec<Shape>,
}

impl Picture {
    /// An empty picture: `name` for its file (`kick_velocity`), `title` says in words what is to be seen (read out
    /// by screen readers), width and height in points.
    #[must_use]
    pub fn new(name: impl Into<String>, title: impl Into<String>, width: f64, height: f64) -> Self {
        Self { name: name.into(), title: title.into(), width, height, shapes: Vec::new() }
    }

    /// Its file name without ending.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What is to be seen, in words.
    #[must_use]
    pub fn title(&self) -> &str {
        &self.title
    }

    /// Width, points.
    #[must_use]
    pub fn width(&self) -> f64 {
        self.width
    }

    /// Height, points.
    #[must_use]
    pub fn height(&self) -> f64 {
        self.height
    }

    /// An unbroken line through points; `weight` is its width.
    pub fn line(&mut self, points: Vec<(f64, f64)>, ink: Ink, weight: f64) {
        self.shapes.push(Shape::Line { points, ink, weight, strength: 1.0 });
    }

    /// A broken line; `dash` as in [`Dash`].
    pub fn dashed(&mut self, points: &[(f64, f64)], ink: Ink, weight: f64, dash: Dash) {
        if dash.is_empty() {
            return self.line(points.to_vec(), ink, weight);
        }
        for piece in pieces(points, dash) {
            self.line(piece, ink, weight);
        }
    }

    /// A filled area; `strength` is its opacity, 0..1.
    pub fn area(&mut self, points: Vec<(f64, f64)>, ink: Ink, strength: f64) {
        self.shapes.push(Shape::Area { points, ink, strength });
    }

    /// A filled rectangle.
    pub fn block(&mut self, left: f64, top: f64, width: f64, height: f64, ink: Ink, strength: f64) {
        let (right, bottom) = (left + width, top + height);
        self.area(vec![(left, top), (right, top), (right, bottom), (left, bottom)], ink, strength);
    }

    /// A filled disc.
    pub fn disc(&mut self, at: (f64, f64), radius: f64, ink: Ink) {
        self.shapes.push(Shape::Disc { at, radius, ink });
    }

    /// Text on one line, its middle height at the point.
    pub fn text(&mut self, at: (f64, f64), text: impl Into<String>, size: f64, align: Align, ink: Ink) {
        let shape = Shape::Text { at, text: text.into(), size, align, ink, bold: false, upright: false };
        self.shapes.push(shape);
    }

    /// Bold text.
    pub fn heading(&mut self, at: (f64, f64), text: impl Into<String>, size: f64, align: Align, ink: Ink) {
        let shape = Shape::Text { at, text: text.into(), size, align, ink, bold: true, upright: false };
        self.shapes.push(shape);
    }

    /// Text read from bottom to top: the label of a vertical axis.
    pub fn upright(&mut self, at: (f64, f64), text: impl Into<String>, size: f64, align: Align, ink: Ink) {
        let shape = Shape::Text { at, text: text.into(), size, align, ink, bold: false, upright: true };
        self.shapes.push(shape);
    }

    /// The picture as a complete SVG file on white paper.
    #[must_use]
    pub fn svg(&self) -> String {
        let (w, h) = (tenths(self.width), tenths(self.height));
        let mut body = String::new();
        {
            let mut backend = SVGBackend::with_string(&mut body, (w as u32, h as u32));
            self.draw(&mut backend);
            // Into memory; only a file could fail.
            let _ = backend.present();
        }
        // The drawing is in tenths of a point, because the backend counts in whole numbers; the head scales it.
        let inside = body.split_once('>').map_or("", |(_, rest)| rest);
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{}\" height=\"{}\" viewBox=\"0 0 {w} {h}\" role=\"img\">\n<title>{}</title>{}",
            self.width,
            self.height,
            escape(&self.title),
            inside
        )
    }

    /// The picture as a PNG file; `scale` pixels a point (2 is right for most screens).
    ///
    /// # Errors
    /// A usage error when the picture would have more than 100 million pixels.
    pub fn png(&self, scale: f64) -> Result<Vec<u8>> {
        let mut sheet = Sheet::new(self.width, self.height, scale)?;
        self.draw(&mut sheet);
        sheet.png()
    }

    fn draw<B: DrawingBackend>(&self, b: &mut B) {
        let paper = [(0.0, 0.0), (self.width, 0.0), (self.width, self.height), (0.0, self.height)];
        // Neither backend fails: one writes into memory, the other into pixels that are there.
        let _ = b.fill_polygon(paper.map(place), &style(Ink::Paper, 1.0, 0.0));
        for shape in &self.shapes {
            let _ = match shape {
                Shape::Line { points, ink, weight, strength } => {
                    b.draw_path(points.iter().map(|p| place(*p)), &style(*ink, *strength, *weight))
                }
                Shape::Area { points, ink, strength } => {
                    b.fill_polygon(points.iter().map(|p| place(*p)), &style(*ink, *strength, 0.0))
                }
                Shape::Disc { at, radius, ink } => {
                    b.draw_circle(place(*at), tenths(*radius).max(1) as u32, &style(*ink, 1.0, 0.0), true)
                }
                Shape::Text { at, text, size, align, ink, bold, upright } => {
                    let h = match align {
                        Align::Start => HPos::Left,
                        Align::Middle => HPos::Center,
                        Align::End => HPos::Right,
                    };
                    let font = ("sans-serif", size * TENTH * LETTER)
                        .into_font()
                        .style(if *bold { FontStyle::Bold } else { FontStyle::Normal })
                        .transform(if *upright { FontTransform::Rotate270 } else { FontTransform::None });
                    let colour = colour(*ink, 1.0);
                    let style = TextStyle::from(font).color(&colour).pos(Pos::new(h, VPos::Center));
                    b.draw_text(text, &style, place(*at))
                }
            };
        }
    }
}

fn tenths(x: f64) -> i32 {
    (x * TENTH).round() as i32
}

fn place(p: (f64, f64)) -> (i32, i32) {
    (tenths(p.0), tenths(p.1))
}

fn colour(ink: Ink, strength: f64) -> RGBAColor {
    let (r, g, b) = ink.rgb();
    RGBAColor(r, g, b, strength)
}

fn style(ink: Ink, strength: f64, weight: f64) -> ShapeStyle {
    ShapeStyle { color: colour(ink, strength), filled: true, stroke_width: tenths(weight).max(1) as u32 }
}

/// The dashes of a line through points.
fn pieces(points: &[(f64, f64)], dash: Dash) -> Vec<Vec<(f64, f64)>> {
    let mut out = Vec::new();
    let mut on = true;
    let mut k = 0;
    let mut left = dash[0].max(0.1);
    let mut piece: Vec<(f64, f64)> = points.first().copied().into_iter().collect();
    for pair in points.windows(2) {
        let (mut from, to) = (pair[0], pair[1]);
        loop {
            let length = (to.0 - from.0).hypot(to.1 - from.1);
            if length <= left {
                left -= length;
                piece.push(to);
                break;
            }
            let share = left / length;
            from = (from.0 + (to.0 - from.0) * share, from.1 + (to.1 - from.1) * share);
            piece.push(from);
            if on {
                out.push(std::mem::take(&mut piece));
            }
            piece = vec![from];
            on = !on;
            k = (k + 1) % dash.len();
            left = dash[k].max(0.1);
        }
    }
    if on && piece.len() > 1 {
        out.push(piece);
    }
    out
}

/// Text made safe for XML and HTML; characters that XML does not allow are left out.
#[must_use]
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\t' | '\n' | '\r' => out.push(' '),
            c if c.is_control() || ('\u{FFFE}'..='\u{FFFF}').contains(&c) => {}
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::song::Drum;

    fn sample() -> Picture {
        let mut p = Picture::new("test", "A & B <test>", 200.0, 100.0);
        p.line(vec![(10.0, 10.0), (190.0, 10.0)], Ink::Text, 1.0);
        p.dashed(&[(10.0, 20.0), (190.0, 20.0)], Ink::Of(Drum::Snare), 1.0, &[6.0, 4.0]);
        p.block(10.0, 30.0, 50.0, 20.0, Ink::Of(Drum::Kick), 1.0);
        p.disc((100.0, 40.0), 5.0, Ink::Of(Drum::Kick));
        p.text((100.0, 80.0), "5 ms < 6 & \"late\"", 12.0, Align::Middle, Ink::Text);
        p
    }

    #[test]
    fn text_in_a_picture_is_escaped_and_its_head_scales_it() {
        let svg = sample().svg();
        assert!(svg.contains("A &amp; B &lt;test&gt;") && svg.contains("5 ms &lt; 6 &amp;"), "{svg}");
        assert!(svg.contains("width=\"200\" height=\"100\" viewBox=\"0 0 2000 1000\""));
        assert!(svg.trim_end().ends_with("</svg>"));
    }

    #[test]
    fn a_png_has_ink_where_the_picture_has() {
        let png = sample().png(2.0).unwrap();
        let pixels = tiny_skia::Pixmap::decode_png(&png).unwrap();
        assert_eq!((pixels.width(), pixels.height()), (400, 200));
        let at = |x, y| pixels.pixel(x, y).map(|p| (p.red(), p.green(), p.blue()));
        assert_eq!(at(60, 80), Some((0x00, 0x72, 0xB2)));
        assert_eq!(at(390, 190), Some((255, 255, 255)));
        let dark = (150..250)
            .flat_map(|x| (145..175).map(move |y| (x, y)))
            .filter(|&(x, y)| at(x, y) < Some((90, 90, 90)))
            .count();
        assert!(dark > 50, "letters leave ink: {dark}");
    }

    #[test]
    fn dashes_and_gaps_fill_the_line_in_turn() {
        let got = pieces(&[(0.0, 0.0), (25.0, 0.0)], &[6.0, 4.0]);
        let ends: Vec<_> = got.iter().map(|p| (p[0].0.round(), p[p.len() - 1].0.round())).collect();
        assert_eq!(ends, [(0.0, 6.0), (10.0, 16.0), (20.0, 25.0)]);
    }
}
