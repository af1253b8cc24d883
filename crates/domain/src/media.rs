//! What kinds of documents are kept as evidence, and how one is told by its first bytes.
//!
//! The name of a file and what its sender calls it say nothing of what it is: it is looked at.

use crate::codec::codes;

codes! {
    /// The kind of a document, by its media type (RFC 6838).
    pub enum MediaType {
        /// A document of pages.
        Pdf = "application/pdf",
        /// A picture without loss.
        Png = "image/png",
        /// A photograph.
        Jpeg = "image/jpeg",
        /// What scanners and fax machines write.
        Tiff = "image/tiff",
        /// Plain text in UTF-8.
        Text = "text/plain",
    }
}

/// What is kept, in words, for whoever sent something else.
pub const KEPT: &str = "must be a PDF, PNG, JPEG or TIFF file, or plain text in UTF-8";

/// How the kinds begin that have a beginning of their own.
const BEGINNINGS: &[(&[u8], MediaType)] = &[
    // ISO 32000-2, 7.5.2: the header.
    (b"%PDF-", MediaType::Pdf),
    // PNG (Third Edition), 5.2: the signature.
    (b"\x89PNG\r\n\x1a\n", MediaType::Png),
    // ITU-T T.81, B.1.1.3: start of image, and the prefix of the next marker.
    (b"\xff\xd8\xff", MediaType::Jpeg),
    // TIFF 6.0, section 2: the byte order and 42 in that order.
    (b"II\x2a\x00", MediaType::Tiff),
    (b"MM\x00\x2a", MediaType::Tiff),
];

impl MediaType {
    /// Tells the kind of a whole document; nothing if it is none that is kept. Text is what reads as UTF-8
    /// (RFC 3629) and has no control characters but those that lay out lines and pages: whatever opens
    /// a text must be able to rely on there being nothing else in it. It may begin with a byte order mark.
    pub fn of(content: &[u8]) -> Option<Self> {
        let known = BEGINNINGS.iter().find(|(beginning, _)| content.starts_with(beginning));
        if let Some((_, kind)) = known {
            return Some(*kind);
        }
        let text = std::str::from_utf8(content).ok().filter(|text| !text.is_empty())?;
        let lays_out = |c: char| matches!(c, '\t' | '\n' | '\r' | '\u{c}');
        text.chars().all(|c| lays_out(c) || !c.is_control()).then_some(Self::Text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kind_is_told_by_the_first_bytes() {
        for (content, kind) in [
            (&b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n"[..], MediaType::Pdf),
            (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", MediaType::Png),
            (b"\xff\xd8\xff\xe0\0\x10JFIF", MediaType::Jpeg),
            (b"\xff\xd8\xff\xe1\0\x10Exif", MediaType::Jpeg),
            (b"II\x2a\0\x08\0\0\0", MediaType::Tiff),
            (b"MM\0\x2a\0\0\0\x08", MediaType::Tiff),
            (b"Dear Sir or Madam,\r\n\tthe account is not mine.\x0c", MediaType::Text),
            ("\u{feff}Señora, ¿qué es esto? 報告".as_bytes(), MediaType::Text),
            (b"x", MediaType::Text),
        ] {
            assert_eq!(MediaType::of(content), Some(kind));
        }
    }

    #[test]
    fn what_is_none_of_them_is_refused() {
        for content in [
            &b""[..],
            b"PK\x03\x04\x14\0\0\0", // a ZIP archive, as word processors write (APPNOTE 4.3.7)
            b"\x7fELF\x02\x01\x01",  // a program (System V ABI)
            b"MZ\x90\0",             // another (from memory)
            b"GIF89a\x01\0\x01\0",   // a picture that nobody scans to (GIF89a, 17)
            b"II\x2b\0\x08\0\0\0",   // a TIFF of 64 bits, which is another format (from memory)
            b"\x89PNG",              // cut off
            b"caf\xe9",              // Latin-1
            b"a text with a \0 in it",
            b"\x1b[2Ja text that clears a terminal",
            b"an overlong \xc0\xaf", // RFC 3629, section 10
        ] {
            assert_eq!(MediaType::of(content), None, "{content:?}");
        }
    }
}
