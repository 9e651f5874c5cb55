//! Pixels: the drawing backend behind PNG files, with its own letters, so that no font of the system is needed.

use super::look::{LETTER, TENTH};
use crate::error::{Error, Result};
use plotters_backend::text_anchor::{HPos, VPos};
use plotters_backend::{
    BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingBackend, DrawingErrorKind, FontStyle,
    FontTransform,
};
use std::convert::Infallible;
use std::sync::LazyLock;
use tiny_skia::{Color, FillRule, LineCap, LineJoin, Paint, Path, PathBuilder, Pixmap, Stroke, Transform};
use ttf_parser::{Face, GlyphId, OutlineBuilder};

/// The letters; their licence lies beside them.
static FACE: LazyLock<Option<Face<'static>>> = LazyLock::new(|| Face::parse(include_bytes!("font/sans.ttf"), 0).ok());

/// Width of a text in points at a size, in the embedded letters; other sans-serif letters differ by a few per cent.
#[must_use]
pub fn text_width(text: &str, size: f64) -> f64 {
    let Some(face) = FACE.as_ref() else { return 0.55 * size * text.chars().count() as f64 };
    let units: u32 = text.chars().map(|c| u32::from(advance(face, c))).sum();
    f64::from(units) * size / f64::from(face.units_per_em())
}

fn advance(face: &Face<'_>, c: char) -> u16 {
    face.glyph_hor_advance(glyph_of(face, c)).unwrap_or(face.units_per_em() / 2)
}

/// The glyph of a letter; the minus sign is drawn as the dash of its length.
fn glyph_of(face: &Face<'_>, c: char) -> GlyphId {
    face.glyph_index(if c == '\u{2212}' { '\u{2013}' } else { c }).unwrap_or_default()
}

/// Paper made of pixels.
pub(super) struct Sheet {
    pixels: Pixmap,
    scale: f32,
}

impl Sheet {
    /// Paper for a picture of so many points, `scale` pixels each.
    pub(super) fn new(width: f64, height: f64, scale: f64) -> Result<Self> {
        let (w, h) = ((width * scale).round(), (height * scale).round());
        let pixels = if w * h <= 1e8 { Pixmap::new(w as u32, h as u32) } else { None };
        let pixels = pixels.ok_or_else(|| {
            Error::usage(format!("a picture of {w} by {h} pixels is too large"), "Ask for a smaller scale.")
        })?;
        Ok(Self { pixels, scale: (scale / TENTH) as f32 })
    }

    /// The pixels as a PNG file.
    pub(super) fn png(&self) -> Result<Vec<u8>> {
        self.pixels.encode_png().map_err(|e| {
            Error::usage(
                format!("this picture could not be turned into PNG ({e})"),
                "Leave out --png; the SVG is there.",
            )
        })
    }

    fn fill(&mut self, path: &Path, color: BackendColor) {
        self.pixels.fill_path(path, &paint(color), FillRule::Winding, self.transform(), None);
    }

    fn transform(&self) -> Transform {
        Transform::from_scale(self.scale, self.scale)
    }
}

fn paint(color: BackendColor) -> Paint<'static> {
    let (r, g, b) = color.rgb;
    let mut paint = Paint { anti_alias: true, ..Paint::default() };
    let alpha = (color.alpha.clamp(0.0, 1.0) * 255.0).round() as u8;
    paint.set_color(Color::from_rgba8(r, g, b, alpha));
    paint
}

fn outline(points: impl IntoIterator<Item = BackendCoord>, closed: bool) -> Option<Path> {
    let mut path = PathBuilder::new();
    for (k, (x, y)) in points.into_iter().enumerate() {
        if k == 0 {
            path.move_to(x as f32, y as f32);
        } else {
            path.line_to(x as f32, y as f32);
        }
    }
    if closed {
        path.close();
    }
    path.finish()
}

type Done = std::result::Result<(), DrawingErrorKind<Infallible>>;

impl DrawingBackend for Sheet {
    type ErrorType = Infallible;

    fn get_size(&self) -> (u32, u32) {
        ((self.pixels.width() as f32 / self.scale) as u32, (self.pixels.height() as f32 / self.scale) as u32)
    }

    fn ensure_prepared(&mut self) -> Done {
        Ok(())
    }

    fn present(&mut self) -> Done {
        Ok(())
    }

    fn draw_pixel(&mut self, (x, y): BackendCoord, color: BackendColor) -> Done {
        self.fill_polygon([(x, y), (x + 1, y), (x + 1, y + 1), (x, y + 1)], &color)
    }

    fn draw_line<S: BackendStyle>(&mut self, from: BackendCoord, to: BackendCoord, style: &S) -> Done {
        self.draw_path([from, to], style)
    }

    fn draw_path<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(&mut self, path: I, style: &S) -> Done {
        if let Some(path) = outline(path, false) {
            let stroke = Stroke {
                width: style.stroke_width() as f32,
                line_cap: LineCap::Butt,
                line_join: LineJoin::Miter,
                ..Stroke::default()
            };
            self.pixels.stroke_path(&path, &paint(style.color()), &stroke, self.transform(), None);
        }
        Ok(())
    }

    fn fill_polygon<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(&mut self, points: I, style: &S) -> Done {
        if let Some(path) = outline(points, true) {
            self.fill(&path, style.color());
        }
        Ok(())
    }

    fn draw_circle<S: BackendStyle>(&mut self, (x, y): BackendCoord, radius: u32, style: &S, _fill: bool) -> Done {
        if let Some(path) = PathBuilder::from_circle(x as f32, y as f32, radius as f32) {
            self.fill(&path, style.color());
        }
        Ok(())
    }

    fn draw_text<S: BackendTextStyle>(&mut self, text: &str, style: &S, (x, y): BackendCoord) -> Done {
        let Some(face) = FACE.as_ref() else { return Ok(()) };
        let size = style.size() / LETTER;
        let unit = (size / f64::from(face.units_per_em())) as f32;
        let width = text_width(text, size) as f32;
        let left = match style.anchor().h_pos {
            HPos::Left => 0.0,
            HPos::Center => -width / 2.0,
            HPos::Right => -width,
        };
        // As in SVG: centred text has its baseline half an x-height below the point.
        let x_height = f32::from(face.x_height().unwrap_or(500)) * unit;
        let down = match style.anchor().v_pos {
            VPos::Top => 0.76 * size as f32,
            VPos::Center => 0.5 * x_height,
            VPos::Bottom => -0.5 * x_height,
        };
        let mut letters = Letters { path: PathBuilder::new(), x: left, y: down, unit };
        for c in text.chars() {
            // A letter that is not there leaves an empty box, so that its lack is seen.
            face.outline_glyph(glyph_of(face, c), &mut letters);
            letters.x += f32::from(advance(face, c)) * unit;
        }
        let Some(path) = letters.path.finish() else { return Ok(()) };
        let turned = match style.transform() {
            FontTransform::Rotate90 => Transform::from_rotate(90.0),
            FontTransform::Rotate180 => Transform::from_rotate(180.0),
            FontTransform::Rotate270 => Transform::from_rotate(-90.0),
            _ => Transform::identity(),
        };
        let placed = turned.post_translate(x as f32, y as f32).post_scale(self.scale, self.scale);
        let paint = paint(style.color());
        self.pixels.fill_path(&path, &paint, FillRule::Winding, placed, None);
        if matches!(style.style(), FontStyle::Bold) {
            // Only one weight is embedded: bold letters get an outline of their own colour.
            let stroke = Stroke { width: size as f32 * 0.045, ..Stroke::default() };
            self.pixels.stroke_path(&path, &paint, &stroke, placed, None);
        }
        Ok(())
    }
}

/// Gathers the outlines of a line of text.
struct Letters {
    path: PathBuilder,
    x: f32,
    y: f32,
    unit: f32,
}

impl Letters {
    fn at(&self, x: f32, y: f32) -> (f32, f32) {
        (self.x + x * self.unit, self.y - y * self.unit)
    }
}

impl OutlineBuilder for Letters {
    fn move_to(&mut self, x: f32, y: f32) {
        let p = self.at(x, y);
        self.path.move_to(p.0, p.1);
    }

    fn line_to(&mut self, x: f32, y: f32) {
        let p = self.at(x, y);
        self.path.line_to(p.0, p.1);
    }

    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        let (c, p) = (self.at(x1, y1), self.at(x, y));
        self.path.quad_to(c.0, c.1, p.0, p.1);
    }

    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        let (c, d, p) = (self.at(x1, y1), self.at(x2, y2), self.at(x, y));
        self.path.cubic_to(c.0, c.1, d.0, d.1, p.0, p.1);
    }

    fn close(&mut self) {
        self.path.close();
    }
}
