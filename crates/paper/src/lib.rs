//! What leaves a firm on paper: the package of a closed month for the accountant, and invoices and
//! statements of account for clients.
//!
//! Pure: plain values in, bytes out, to any writer. Of the domain it knows amounts, and nothing of the log.

pub mod account;
pub mod bill;
mod cell;
pub mod package;
pub mod pdf;
pub mod reconciliation;
pub mod sheet;
mod typeface;
mod workbook;

pub use cell::{Cell, Column, Table};
pub use workbook::Workbook;

/// What could not be written.
#[derive(Debug, thiserror::Error)]
pub enum PaperError {
    /// A file of the package.
    #[error("a table could not be written")]
    Csv(#[from] csv::Error),
    /// The workbook.
    #[error("the workbook could not be written")]
    Workbook(#[from] rust_xlsxwriter::XlsxError),
    /// Any file.
    #[error("a file could not be written")]
    Io(#[from] std::io::Error),
}
