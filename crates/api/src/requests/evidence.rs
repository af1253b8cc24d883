//! Requests about scans and letters.

use domain::ids::{CaseId, DocumentHash, FirmId};

use super::read::{case_name, firm_name};
use crate::field::{FieldErrors, Fields};
use crate::limit::DOCUMENT_BYTES_MAX;
use crate::v1;

/// The beginning of an upload.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UploadAsked {
    /// The firm.
    pub firm: FirmId,
    /// Whose document.
    pub case: CaseId,
    /// How many bytes the content must have: 1 to [`DOCUMENT_BYTES_MAX`].
    pub size: usize,
    /// The hash that the content must have.
    pub expected: Option<DocumentHash>,
}

/// One document.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DocumentAsked {
    /// The firm.
    pub firm: FirmId,
    /// Whose.
    pub case: CaseId,
    /// The hash of its content.
    pub hash: DocumentHash,
}

/// Reads the first message of an `Upload`.
pub fn upload(m: &v1::UploadRequest) -> Result<UploadAsked, FieldErrors> {
    use v1::upload_request::Part;
    Fields::check(None, |f| {
        let start = match &m.part {
            Some(Part::Start(start)) => Some(start),
            Some(Part::Data(_)) | None => None,
        };
        f.message("start", start, |f, start| {
            let name = case_name(f, "name", &start.name);
            let size = usize::try_from(start.size_bytes).ok();
            let size = size.filter(|size| (1..=DOCUMENT_BYTES_MAX).contains(size));
            if size.is_none() {
                f.fail("size_bytes", format!("must be 1 to {DOCUMENT_BYTES_MAX}"));
            }
            let expected = f.parse_optional("sha256", &start.sha256, DocumentHash::parse);
            let (firm, case) = name?;
            Some(UploadAsked { firm, case, size: size?, expected: expected? })
        })
    })
}

/// Reads a `Download`.
pub fn download(m: &v1::DownloadRequest) -> Result<DocumentAsked, FieldErrors> {
    Fields::check(None, |f| {
        let name = case_name(f, "name", &m.name);
        let hash = f.parse("sha256", &m.sha256, DocumentHash::parse);
        let (firm, case) = name?;
        Some(DocumentAsked { firm, case, hash: hash? })
    })
}

/// Reads a `CheckEvidence`.
pub fn check_evidence(m: &v1::CheckEvidenceRequest) -> Result<FirmId, FieldErrors> {
    Fields::check(None, |f| firm_name(f, "parent", &m.parent))
}
