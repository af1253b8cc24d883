//! The package as one workbook (ECMA-376, "XLSX"): a sheet for each table.

use std::io::{Seek, Write};

use rust_xlsxwriter::{Format, XlsxError};

use crate::PaperError;
use crate::cell::{Cell, Table};

/// Most rows of a sheet below its titles: what programs that read workbooks take (ECMA-376 readers
/// stop at 1,048,576 rows).
pub(crate) const ROWS_MAX: u32 = 1_048_575;

/// A workbook in the making. Rows go to a temporary file as they come, so that its size does not
/// matter.
pub struct Workbook {
    book: rust_xlsxwriter::Workbook,
    title: Format,
    day: Format,
    amount: Format,
    sheets: usize,
    row: u32,
}

impl Default for Workbook {
    fn default() -> Self {
        Self {
            book: rust_xlsxwriter::Workbook::new(),
            title: Format::new().set_bold(),
            day: Format::new().set_num_format("yyyy-mm-dd"),
            amount: Format::new().set_num_format("#,##0.00"),
            sheets: 0,
            row: 0,
        }
    }
}

impl Workbook {
    /// Begins the sheet of a table.
    ///
    /// # Errors
    /// [`PaperError::Workbook`] if the temporary file cannot be made.
    pub fn begin(&mut self, table: &Table) -> Result<(), PaperError> {
        let sheet = self.book.add_worksheet_with_constant_memory()?;
        sheet.set_name(table.name)?;
        sheet.set_freeze_panes(1, 0)?;
        for (at, column) in (0..).zip(table.columns) {
            sheet.write_string_with_format(0, at, column.title, &self.title)?;
        }
        self.sheets += 1;
        self.row = 0;
        Ok(())
    }

    /// Adds a row to the sheet that was begun last. A table that is longer than a sheet is cut, and
    /// its last row says so: the CSV file has all of it.
    ///
    /// # Errors
    /// [`PaperError::Workbook`] if the row cannot be written.
    pub fn row(&mut self, cells: &[Cell]) -> Result<(), PaperError> {
        self.row += 1;
        let row = self.row;
        let sheet = self.book.worksheet_from_index(self.sheets - 1)?;
        if row > ROWS_MAX {
            return Ok(());
        }
        if row == ROWS_MAX {
            sheet.write_string(row, 0, "cut here: the CSV file has every row")?;
            return Ok(());
        }
        for (at, cell) in (0..).zip(cells) {
            match cell {
                Cell::Empty => {}
                // Numbers of a workbook are doubles: the nearest to the text that the CSV file has,
                // which is the record. Every amount of a firm is told apart (2^53 cents).
                Cell::Number(_) => {
                    sheet.write_number(row, at, double(cell))?;
                }
                Cell::Amount(_) => {
                    sheet.write_number_with_format(row, at, double(cell), &self.amount)?;
                }
                Cell::Day(day) => {
                    sheet.write_datetime_with_format(row, at, day, &self.day)?;
                }
                // A string of a workbook is never calculated; saved as CSV from there it would be, so that
                // text is guarded here as well.
                Cell::Text(_) | Cell::InstantDay(_) | Cell::InstantTime(_) => {
                    sheet.write_string(row, at, cell.to_string())?;
                }
            }
        }
        Ok(())
    }

    /// Writes the workbook.
    ///
    /// # Errors
    /// [`PaperError::Workbook`] if it cannot be written.
    pub fn finish<W: Write + Seek + Send>(mut self, to: W) -> Result<(), PaperError> {
        let written: Result<(), XlsxError> = self.book.save_to_writer(to);
        Ok(written?)
    }
}

fn double(cell: &Cell) -> f64 {
    cell.to_string().parse().expect("a number is written as one")
}
