//! A sheet as PDF: PDF/A-2u (ISO 19005-2), so that it can be kept, searched and read without what made
//! it. US Letter, one column of blocks from top to bottom.
//!
//! First everything is placed, then drawn: what fits where is decided without a file.

// Lengths on paper; amounts come as text.
#![expect(clippy::float_arithmetic)]

use chrono::{Datelike, NaiveDate};
use krilla::configure::{Archival, ConfigurationBuilder};
use krilla::geom::{PathBuilder, Point};
use krilla::metadata::{DateTime, Metadata};
use krilla::page::PageSettings;
use krilla::paint::Stroke;
use krilla::{Document, SerializeSettings};

use crate::sheet::{Cell, Column, Sheet};
use crate::typeface::{Run, Typefaces};

/// Why a sheet cannot be written as PDF.
#[derive(Debug, thiserror::Error)]
pub enum Unprintable {
    /// A character that the typeface lacks, or that runs from right to left.
    #[error("the typeface cannot set {0:?} (U+{n:04X}); the page in HTML can", n = u32::from(*.0))]
    Character(char),
    /// The typeface cannot be read.
    #[error("the typeface cannot be read")]
    Typeface,
    /// The writer of PDF refused.
    #[error("the page cannot be written as PDF/A: {0}")]
    Form(String),
}

/// US Letter, in points of 1/72 inch (ANSI/ASME Y14.1, size A).
const PAPER: (f32, f32) = (612.0, 792.0);
const MARGIN: f32 = 62.0;
const BODY: f32 = 10.5;
const SMALL: f32 = 9.0;
/// From baseline to baseline, in sizes of the type.
const LEADING: f32 = 1.35;
const GUTTER: f32 = 10.0;
const INDENT: f32 = 9.0;

/// What is drawn, with its place on the page.
enum Mark {
    Text { x: f32, y: f32, size: f32, bold: bool, run: Run },
    Rule { y: f32 },
}

impl Sheet {
    /// The page as PDF/A-2u. The same sheet always has the same bytes.
    ///
    /// # Errors
    /// [`Unprintable`] names a character that cannot be set.
    pub fn to_pdf(&self) -> Result<Vec<u8>, Unprintable> {
        let form = |error: &dyn std::fmt::Debug| Unprintable::Form(format!("{error:?}"));
        let faces = Typefaces::read()?;
        let pages = Layout::pages(self, &faces)?;
        let configuration = ConfigurationBuilder::new()
            .with_archival_validator(Archival::A2_U)
            .finish()
            .map_err(|error| form(&error))?;
        let settings = SerializeSettings { configuration, ..SerializeSettings::default() };
        let mut document = Document::new_with(settings);
        document.set_metadata(self.metadata());
        for marks in pages {
            let paper = PageSettings::from_wh(PAPER.0, PAPER.1)
                .ok_or_else(|| Unprintable::Form("no such paper".into()))?;
            let mut page = document.start_page_with(paper);
            let mut surface = page.surface();
            for mark in marks {
                match mark {
                    Mark::Text { x, y, size, bold, run } => {
                        let font = faces.of(bold).font.clone();
                        let start = Point::from_xy(x, y);
                        surface.set_stroke(None);
                        surface.draw_glyphs(start, &run.glyphs, font, &run.text, size, false);
                    }
                    Mark::Rule { y } => {
                        let mut line = PathBuilder::new();
                        line.move_to(MARGIN, y);
                        line.line_to(PAPER.0 - MARGIN, y);
                        if let Some(line) = line.finish() {
                            surface.set_stroke(Some(Stroke { width: 0.5, ..Stroke::default() }));
                            surface.draw_path(&line);
                        }
                    }
                }
            }
        }
        document.finish().map_err(|error| form(&error))
    }

    fn metadata(&self) -> Metadata {
        Metadata::new()
            .title(self.title.clone())
            .authors(vec![self.firm.clone()])
            .language("en".into())
            .creation_date(moment(self.made_on))
    }
}

/// A day as the moment that PDF asks for.
fn moment(day: NaiveDate) -> DateTime {
    let part = |number: u32| u8::try_from(number).unwrap_or(1);
    DateTime::new(u16::try_from(day.year()).unwrap_or_default())
        .month(part(day.month()))
        .day(part(day.day()))
        .hour(0)
        .minute(0)
        .second(0)
        .utc_offset_hour(0)
        .utc_offset_minute(0)
}

/// Blocks placed from top to bottom.
struct Layout<'a> {
    faces: &'a Typefaces,
    done: Vec<Vec<Mark>>,
    page: Vec<Mark>,
    /// How far down the page is used.
    y: f32,
}

/// The lines of one cell, each with how far it is indented.
type Lines = Vec<(f32, Run)>;

impl<'a> Layout<'a> {
    const WIDTH: f32 = PAPER.0 - 2.0 * MARGIN;
    /// The page ends above its number.
    const BOTTOM: f32 = PAPER.1 - MARGIN;

    /// What is drawn on each page.
    fn pages(sheet: &Sheet, faces: &'a Typefaces) -> Result<Vec<Vec<Mark>>, Unprintable> {
        let mut layout = Self { faces, done: Vec::new(), page: Vec::new(), y: MARGIN };
        layout.sheet(sheet)?;
        layout.finished(&sheet.title)
    }

    fn sheet(&mut self, sheet: &Sheet) -> Result<(), Unprintable> {
        self.paragraph(&sheet.firm, 17.0, true)?;
        self.paragraph(&sheet.lead, BODY, false)?;
        self.y += BODY;
        for line in &sheet.to {
            self.paragraph(line, BODY, false)?;
        }
        self.y += BODY;
        self.head(&sheet.columns)?;
        for row in &sheet.rows {
            let lines = self.row(&sheet.columns, row)?;
            self.table_row(&sheet.columns, lines)?;
        }
        for (name, amount) in &sheet.sums {
            self.sum(name, &amount.to_string(), &sheet.columns)?;
        }
        if let Some(remark) = &sheet.remark {
            self.y += BODY;
            self.paragraph(remark, BODY, false)?;
        }
        self.y += 2.0 * BODY;
        self.room(SMALL * LEADING * 3.0);
        self.rule();
        for caution in sheet.cautions {
            self.y += SMALL * 0.3;
            self.paragraph(caution, SMALL, false)?;
        }
        Ok(())
    }

    /// Goes on to a new page unless so much is left; says whether it did.
    fn room(&mut self, height: f32) -> bool {
        let turned = self.y + height > Self::BOTTOM && !self.page.is_empty();
        if turned {
            self.done.push(std::mem::take(&mut self.page));
            self.y = MARGIN;
        }
        turned
    }

    fn text(&mut self, x: f32, size: f32, bold: bool, run: Run) {
        // The baseline lies where letters with a tail still stay inside the line.
        self.page.push(Mark::Text { x, y: self.y + size, size, bold, run });
    }

    fn paragraph(&mut self, text: &str, size: f32, bold: bool) -> Result<(), Unprintable> {
        for run in self.faces.of(bold).fill(text, Self::WIDTH / size)? {
            self.room(size * LEADING);
            self.text(MARGIN, size, bold, run);
            self.y += size * LEADING;
        }
        Ok(())
    }

    fn rule(&mut self) {
        self.page.push(Mark::Rule { y: self.y + 1.0 });
        self.y += 4.0;
    }

    /// Where each column begins, and how wide it is without what keeps it from the next.
    fn places(columns: &[Column]) -> Vec<(f32, f32)> {
        let mut x = MARGIN;
        let place = |column: &Column| {
            let width = Self::WIDTH * f32::from(column.width) / 100.0;
            let at = (x, width - GUTTER);
            x += width;
            at
        };
        columns.iter().map(place).collect()
    }

    /// How far from its column's left side a line begins.
    fn shift(column: &Column, width: f32, run: &Run, indent: f32) -> f32 {
        if column.amounts { width + GUTTER - run.width * BODY } else { indent }
    }

    fn head(&mut self, columns: &[Column]) -> Result<(), Unprintable> {
        for (column, (x, width)) in columns.iter().zip(Self::places(columns)) {
            let run = self.faces.bold.set(column.name)?;
            let shift = Self::shift(column, width, &run, 0.0);
            self.text(x + shift, BODY, true, run);
        }
        self.y += BODY * LEADING;
        self.rule();
        Ok(())
    }

    fn row(&self, columns: &[Column], cells: &[Cell]) -> Result<Vec<Lines>, Unprintable> {
        let cell = |(cell, (_, width)): (&Cell, (f32, f32))| {
            let mut lines = Lines::new();
            for line in &cell.lines {
                lines.extend(
                    self.faces.regular.fill(line, width / BODY)?.into_iter().map(|r| (0.0, r)),
                );
            }
            for point in &cell.points {
                let text = format!("\u{2022} {point}");
                let runs = self.faces.regular.fill(&text, (width - INDENT) / BODY)?;
                let indented = |(n, run)| (if n == 0 { 0.0 } else { INDENT }, run);
                lines.extend(runs.into_iter().enumerate().map(indented));
            }
            Ok(lines)
        };
        cells.iter().zip(Self::places(columns)).map(cell).collect()
    }

    /// Keeps a row on one page if a page can hold it; the head is said again on each.
    fn table_row(&mut self, columns: &[Column], cells: Vec<Lines>) -> Result<(), Unprintable> {
        let line = BODY * LEADING;
        let tallest = cells.iter().map(Vec::len).max().unwrap_or_default();
        let most = (Self::BOTTOM - MARGIN) / line - 3.0;
        let whole = f32::from(u16::try_from(tallest).unwrap_or(u16::MAX)).min(most) * line;
        if self.room(whole) {
            self.head(columns)?;
        }
        let mut cells: Vec<_> = cells.into_iter().map(Vec::into_iter).collect();
        for _ in 0..tallest {
            if self.room(line) {
                self.head(columns)?;
            }
            for ((cell, column), (x, width)) in
                cells.iter_mut().zip(columns).zip(Self::places(columns))
            {
                let Some((indent, run)) = cell.next() else { continue };
                let shift = Self::shift(column, width, &run, indent);
                self.text(x + shift, BODY, false, run);
            }
            self.y += line;
        }
        self.rule();
        Ok(())
    }

    fn sum(&mut self, name: &str, amount: &str, columns: &[Column]) -> Result<(), Unprintable> {
        self.room(BODY * LEADING);
        let last = Self::places(columns).last().map_or(MARGIN, |(x, _)| *x);
        let name = self.faces.regular.set(name)?;
        let amount = self.faces.regular.set(amount)?;
        let x = last - name.width * BODY;
        self.text(x, BODY, false, name);
        let x = PAPER.0 - MARGIN - amount.width * BODY;
        self.text(x, BODY, false, amount);
        self.y += BODY * LEADING;
        Ok(())
    }

    /// The pages, numbered if there are several.
    fn finished(mut self, title: &str) -> Result<Vec<Vec<Mark>>, Unprintable> {
        self.done.push(self.page);
        let count = self.done.len();
        if count > 1 {
            for (page, number) in self.done.iter_mut().zip(1..) {
                let text = format!("{title}, page {number} of {count}");
                let run = self.faces.regular.set(&text)?;
                let x = PAPER.0 - MARGIN - run.width * SMALL;
                let y = Self::BOTTOM + 2.0 * SMALL;
                page.push(Mark::Text { x, y, size: SMALL, bold: false, run });
            }
        }
        Ok(self.done)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::money::{Currency, Money};

    #[test]
    fn a_long_sheet_goes_on_over_pages_and_everything_stays_inside_them() {
        let word = "Donaudampfschifffahrtsgesellschaftskapitaensmuetze".repeat(3);
        let tall = Cell { lines: Vec::new(), points: vec![word.clone(); 60] };
        let row =
            |cell: &Cell| vec![Cell::line(word.clone()), cell.clone(), Cell::line("USD 9.00")];
        let mut rows = vec![row(&Cell::line("short")); 60];
        rows.push(row(&tall));
        let sheet = Sheet {
            title: "Invoice 1".into(),
            firm: word.clone(),
            lead: word.clone(),
            to: vec![word.clone()],
            columns: vec![
                Column::text("For", 34),
                Column::text("Work", 46),
                Column::amounts("Fee", 20),
            ],
            rows,
            sums: vec![("Total", Money::new(1, Currency::USD).unwrap())],
            remark: None,
            cautions: crate::sheet::CAUTIONS,
            made_on: "2026-03-01".parse().unwrap(),
        };
        let pages = Layout::pages(&sheet, &Typefaces::read().unwrap()).unwrap();
        assert!(pages.len() > 3, "{}", pages.len());
        let (left, right) = (MARGIN - 0.01, PAPER.0 - MARGIN + 0.01);
        let mut said = 0;
        for mark in pages.iter().flatten() {
            match mark {
                Mark::Text { x, y, size, run, .. } => {
                    said += run.text.matches("USD 9.00").count();
                    assert!(*x >= left && x + run.width * size <= right, "{}", run.text);
                    assert!(*y >= MARGIN && *y <= PAPER.1 - MARGIN / 2.0, "{}", run.text);
                }
                Mark::Rule { y } => assert!(*y <= PAPER.1 - MARGIN / 2.0),
            }
        }
        assert_eq!(said, 61, "every row once");
    }
}
