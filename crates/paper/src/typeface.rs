//! Text set in the typeface that goes into every PDF: Libertinus Serif (SIL Open Font License 1.1,
//! `fonts/OFL.txt`), so that a page looks alike everywhere and names are spelled as they are.

// Lengths on paper; amounts come as text.
#![expect(clippy::float_arithmetic)]

use domain::text::is_hidden;
use krilla::text::{Font, GlyphId, KrillaGlyph};
use rustybuzz::{Direction, Face, UnicodeBuffer};

use crate::pdf::Unprintable;

static REGULAR: &[u8] = include_bytes!("../fonts/LibertinusSerif-Regular.otf");
static BOLD: &[u8] = include_bytes!("../fonts/LibertinusSerif-Bold.otf");

/// One weight.
pub(crate) struct Typeface {
    pub(crate) font: Font,
    shapes: Face<'static>,
}

/// A piece of text with its glyphs; lengths are in parts of the size of the type.
pub(crate) struct Run {
    pub(crate) text: String,
    pub(crate) glyphs: Vec<KrillaGlyph>,
    pub(crate) width: f32,
}

/// Both weights.
pub(crate) struct Typefaces {
    pub(crate) regular: Typeface,
    pub(crate) bold: Typeface,
}

impl Typefaces {
    pub(crate) fn read() -> Result<Self, Unprintable> {
        Ok(Self { regular: Typeface::read(REGULAR)?, bold: Typeface::read(BOLD)? })
    }

    pub(crate) const fn of(&self, bold: bool) -> &Typeface {
        if bold { &self.bold } else { &self.regular }
    }
}

impl Typeface {
    fn read(bytes: &'static [u8]) -> Result<Self, Unprintable> {
        let font = Font::new(bytes.into(), 0).ok_or(Unprintable::Typeface)?;
        let shapes = Face::from_slice(bytes, 0).ok_or(Unprintable::Typeface)?;
        Ok(Self { font, shapes })
    }

    /// Sets text from left to right, on one line.
    pub(crate) fn set(&self, text: &str) -> Result<Run, Unprintable> {
        let text: String =
            text.chars().map(|c| if c.is_control() || is_hidden(c) { ' ' } else { c }).collect();
        if let Some(c) = text.chars().find(|c| runs_from_the_right(*c)) {
            return Err(Unprintable::Character(c));
        }
        let mut buffer = UnicodeBuffer::new();
        buffer.push_str(&text);
        buffer.guess_segment_properties();
        buffer.set_direction(Direction::LeftToRight);
        let shaped = rustybuzz::shape(&self.shapes, &[], buffer);
        let starts: Vec<usize> = shaped
            .glyph_infos()
            .iter()
            .map(|glyph| usize::try_from(glyph.cluster).unwrap_or_default())
            .collect();
        let em = self.font.units_per_em();
        // Lengths in a typeface are whole units, some thousand to its size.
        let part = |units: i32| f32::from(i16::try_from(units).unwrap_or(i16::MAX)) / em;
        let mut glyphs = Vec::with_capacity(starts.len());
        let mut width = 0.0;
        for (place, (info, at)) in
            shaped.glyph_infos().iter().zip(shaped.glyph_positions()).enumerate()
        {
            let start = starts[place];
            if info.glyph_id == 0 {
                let c = text[start..].chars().next().unwrap_or(char::REPLACEMENT_CHARACTER);
                return Err(Unprintable::Character(c));
            }
            let end = starts[place..].iter().copied().find(|next| *next > start);
            glyphs.push(KrillaGlyph::new(
                GlyphId::new(info.glyph_id),
                part(at.x_advance),
                part(at.x_offset),
                part(at.y_offset),
                part(at.y_advance),
                start..end.unwrap_or(text.len()),
                None,
            ));
            width += part(at.x_advance);
        }
        Ok(Run { text, glyphs, width })
    }

    /// Sets text in lines not wider than `width`, broken between words, or within one that is wider.
    pub(crate) fn fill(&self, text: &str, width: f32) -> Result<Vec<Run>, Unprintable> {
        let mut lines = Vec::new();
        let mut line = String::new();
        for word in text.split_whitespace() {
            let joined = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
            if self.set(&joined)?.width <= width {
                line = joined;
                continue;
            }
            if !line.is_empty() {
                lines.push(self.set(&line)?);
                line.clear();
            }
            for c in word.chars() {
                line.push(c);
                if self.set(&line)?.width > width && line.chars().count() > 1 {
                    line.pop();
                    lines.push(self.set(&line)?);
                    line = c.to_string();
                }
            }
        }
        if !line.is_empty() {
            lines.push(self.set(&line)?);
        }
        Ok(lines)
    }
}

/// Hebrew, Arabic and their neighbours, which are not set here: half of a name set backwards is worse
/// than none.
fn runs_from_the_right(c: char) -> bool {
    matches!(u32::from(c), 0x0590..=0x08FF | 0xFB1D..=0xFDFF | 0xFE70..=0xFEFF | 0x1_0800..=0x1_0FFF | 0x1_E800..=0x1_EFFF)
}
