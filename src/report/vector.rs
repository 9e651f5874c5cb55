//! Shapes as text: the drawing backend behind SVG files.
//!
//! In: shapes in tenths of a point. Out: one element of SVG a line, to the byte as the drawing library's own backend writes
//! them; a picture has tens of thousands of points, and that one formats each on its own and then escapes it.

use plotters_backend::text_anchor::{HPos, VPos};
use plotters_backend::{
    BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingBackend, DrawingErrorKind, FontStyle,
    FontTransform,
};
use std::convert::Infallible;
use std::fmt::Write as _;

/// Elements of a picture.
pub(super) struct Elements {
    size: (u32, u32),
    text: String,
}

type Drawn = Result<(), DrawingErrorKind<Infallible>>;

impl Elements {
    /// Of a picture of so many tenths.
    pub(super) fn new(size: (u32, u32)) -> Self {
        Self { size, text: String::new() }
    }

    /// All that was drawn.
    pub(super) fn into_text(self) -> String {
        self.text
    }

    /// Opacity and an attribute of this name with the colour. Writing into memory cannot fail, here and below.
    fn colour(&mut self, name: &str, BackendColor { alpha, rgb: (r, g, b) }: BackendColor) {
        let _ = write!(self.text, " opacity=\"{alpha}\" {name}=\"#{r:02X}{g:02X}{b:02X}\"");
    }

    fn points(&mut self, points: impl IntoIterator<Item = BackendCoord>) {
        self.text.push_str(" points=\"");
        for (x, y) in points {
            whole(&mut self.text, x);
            self.text.push(',');
            whole(&mut self.text, y);
            self.text.push(' ');
        }
        self.text.push_str("\"/>\n");
    }
}

impl DrawingBackend for Elements {
    type ErrorType = Infallible;

    fn get_size(&self) -> (u32, u32) {
        self.size
    }

    fn ensure_prepared(&mut self) -> Drawn {
        Ok(())
    }

    fn present(&mut self) -> Drawn {
        Ok(())
    }

    fn draw_pixel(&mut self, (x, y): BackendCoord, colour: BackendColor) -> Drawn {
        let _ = write!(self.text, "<rect x=\"{x}\" y=\"{y}\" width=\"1\" height=\"1\" stroke=\"none\"");
        self.colour("fill", colour);
        self.text.push_str("/>\n");
        Ok(())
    }

    fn draw_path<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(&mut self, path: I, style: &S) -> Drawn {
        if style.color().alpha != 0.0 {
            self.text.push_str("<polyline fill=\"none\"");
            self.colour("stroke", style.color());
            let _ = write!(self.text, " stroke-width=\"{}\"", style.stroke_width());
            self.points(path);
        }
        Ok(())
    }

    fn fill_polygon<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(&mut self, path: I, style: &S) -> Drawn {
        if style.color().alpha != 0.0 {
            self.text.push_str("<polygon");
            self.colour("fill", style.color());
            self.points(path);
        }
        Ok(())
    }

    /// Filled discs only; no picture has others.
    fn draw_circle<S: BackendStyle>(&mut self, (x, y): BackendCoord, radius: u32, style: &S, _filled: bool) -> Drawn {
        if style.color().alpha != 0.0 {
            let _ = write!(self.text, "<circle cx=\"{x}\" cy=\"{y}\" r=\"{radius}\"");
            self.colour("fill", style.color());
            let _ = writeln!(self.text, " stroke=\"none\" stroke-width=\"{}\"/>", style.stroke_width());
        }
        Ok(())
    }

    fn draw_text<S: BackendTextStyle>(&mut self, text: &str, style: &S, (x, y): BackendCoord) -> Drawn {
        if style.color().alpha == 0.0 {
            return Ok(());
        }
        let middle = match style.anchor().v_pos {
            VPos::Top => "0.76em",
            VPos::Center => "0.5ex",
            VPos::Bottom => "-0.5ex",
        };
        let anchor = match style.anchor().h_pos {
            HPos::Left => "start",
            HPos::Right => "end",
            HPos::Center => "middle",
        };
        let (family, size) = (style.family(), style.size() / super::look::LETTER);
        let _ = write!(
            self.text,
            "<text x=\"{x}\" y=\"{y}\" dy=\"{middle}\" text-anchor=\"{anchor}\" font-family=\"{}\" font-size=\"{size}\"",
            family.as_str()
        );
        self.colour("fill", style.color());
        if matches!(style.style(), FontStyle::Bold) {
            self.text.push_str(" font-weight=\"bold\"");
        }
        if matches!(style.transform(), FontTransform::Rotate270) {
            let _ = write!(self.text, " transform=\"rotate(270, {x}, {y})\"");
        }
        self.text.push_str(">\n");
        for c in text.chars() {
            match c {
                '<' => self.text.push_str("&lt;"),
                '>' => self.text.push_str("&gt;"),
                '&' => self.text.push_str("&amp;"),
                '"' => self.text.push_str("&quot;"),
                '\'' => self.text.push_str("&apos;"),
                other => self.text.push(other),
            }
        }
        self.text.push_str("\n</text>\n");
        Ok(())
    }
}

/// Appends a whole number in decimal digits.
fn whole(text: &mut String, number: i32) {
    if number < 0 {
        text.push('-');
    }
    let mut left = number.unsigned_abs();
    // Ten digits at most, the last one first.
    let (mut digits, mut first) = ([b'0'; 10], 10);
    while first == 10 || left > 0 {
        first -= 1;
        digits[first] = b'0' + (left % 10) as u8;
        left /= 10;
    }
    text.push_str(std::str::from_utf8(&digits[first..]).unwrap_or_default());
}

#[cfg(test)]
mod tests {
    use super::*;
    use plotters::prelude::{IntoFont, RGBAColor, SVGBackend, ShapeStyle, TextStyle};
    use plotters::style::text_anchor::Pos;

    /// One of every shape that pictures are made of.
    fn draw<B: DrawingBackend>(b: &mut B) {
        let colour = RGBAColor(0, 114, 178, 0.35);
        let style = ShapeStyle { color: colour, filled: true, stroke_width: 12 };
        let points = [(0, 0), (-5, 17), (11_200, -4_200), (i32::MAX, i32::MIN), (90, 100)];
        b.draw_path(points, &style).ok().unwrap();
        b.fill_polygon(points, &style).ok().unwrap();
        b.draw_path(points, &ShapeStyle { color: RGBAColor(1, 2, 3, 0.0), ..style }).ok().unwrap();
        b.draw_circle((55, -70), 40, &style, true).ok().unwrap();
        for (h, bold, transform) in [
            (HPos::Left, FontStyle::Normal, FontTransform::None),
            (HPos::Center, FontStyle::Bold, FontTransform::None),
            (HPos::Right, FontStyle::Normal, FontTransform::Rotate270),
        ] {
            let font = ("sans-serif", 110.0 * super::super::look::LETTER).into_font().style(bold).transform(transform);
            let style = TextStyle::from(font).color(&colour).pos(Pos::new(h, VPos::Center));
            b.draw_text("5 ms < 6 & \"spät\" 'n' >", &style, (120, 340)).ok().unwrap();
        }
        b.draw_pixel((3, 4), BackendColor { alpha: 0.5, rgb: (1, 2, 3) }).ok().unwrap();
    }

    #[test]
    fn elements_are_those_of_the_librarys_backend_to_the_byte() {
        let mut ours = Elements::new((11_200, 4_200));
        draw(&mut ours);
        let mut theirs = String::new();
        draw(&mut SVGBackend::with_string(&mut theirs, (11_200, 4_200)));
        let theirs = theirs.split_once(">\n").unwrap().1;
        let theirs = theirs.strip_suffix("</svg>\n").unwrap_or(theirs);
        assert_eq!(ours.into_text(), theirs);
    }
}
