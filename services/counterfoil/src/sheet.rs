//! Pages, written into files.

use std::path::PathBuf;

use clap::Args;
use paper::sheet::Sheet;

use crate::exit::Stop;
use crate::newfile::{NewFile, must_be_new};
use crate::out::Out;

/// In which form a page is written.
#[derive(Args)]
pub(crate) struct SheetFiles {
    /// Write it as a page into this file, which must not be there
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// The same as PDF/A, to be kept or posted
    #[arg(long, value_name = "FILE")]
    pdf: Option<PathBuf>,
}

impl SheetFiles {
    /// Whether no file was asked for.
    pub(crate) fn is_empty(&self) -> bool {
        self.html.is_none() && self.pdf.is_none()
    }

    /// Writes the files that were asked for, whole or not at all.
    pub(crate) fn write(&self, sheet: &Sheet, out: &mut Out) -> anyhow::Result<()> {
        for path in [&self.html, &self.pdf].into_iter().flatten() {
            must_be_new(path)?;
        }
        let html = self.html.as_ref().map(|path| (path, sheet.to_html().into_bytes()));
        let pdf = match &self.pdf {
            Some(path) => {
                let pdf = sheet.to_pdf().map_err(|error| Stop::refused(error.to_string()))?;
                Some((path, pdf))
            }
            None => None,
        };
        for (path, bytes) in [html, pdf].into_iter().flatten() {
            let mut file = NewFile::beside(path)?;
            file.write(&bytes)?;
            file.keep()?;
            out.line(format!("{} lies in {}.", sheet.title, path.display()))?;
        }
        Ok(())
    }
}
