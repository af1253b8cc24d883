//! Typed identifiers and short codes.

use std::fmt;

use compact_str::CompactString;
use uuid::Uuid;

use crate::codec::{DecodeError, Field, In, Out};
use crate::value::ValueError;

/// Declares a newtype over a UUID.
macro_rules! uuid_id {
    ($($(#[$meta:meta])* $Name:ident;)*) => {$(
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $Name(pub Uuid);

        impl $Name {
            /// Reads the hyphenated form.
            pub fn parse(text: &str) -> Result<Self, ValueError> {
                Uuid::try_parse(text).map(Self).map_err(|_| ValueError::new("must be a UUID"))
            }
        }

        impl fmt::Display for $Name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(&self.0.hyphenated(), f)
            }
        }

        impl Field for $Name {
            fn put(&self, out: &mut Out) {
                let mut buffer = Uuid::encode_buffer();
                out.string(self.0.hyphenated().encode_lower(&mut buffer));
            }
            fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
                let text = input.string()?;
                let id = Uuid::try_parse(&text).ok().map(Self).filter(|id| id.to_string() == text);
                id.ok_or_else(|| input.error("a lower-case UUID"))
            }
        }
    )*};
}

uuid_id! {
    /// A firm: one credit-repair organization (15 USC 1679a(3)), strictly apart from every other.
    FirmId;
    /// A case: one client of a firm.
    CaseId;
    /// A paying account. Every case opens one under its own UUID; a couple pays through one of its two.
    AccountId;
    /// One line of a bank statement, one statement or one payout of the card processor. Made from what it says, so
    /// that the same line read twice is the same one.
    DepositId;
    /// An event (UUIDv7, so that ids sort by the time they were given).
    EventId;
    /// A caller's own id for one request; the same id is the same request (AIP-155).
    RequestId;
    /// A bearer token's public id; never the token.
    AccessId;
}

impl CaseId {
    /// The account that this case opened.
    pub const fn own_account(self) -> AccountId {
        AccountId(self.0)
    }
}

impl AccountId {
    /// The case that opened this account.
    pub const fn owner(self) -> CaseId {
        CaseId(self.0)
    }
}

impl DepositId {
    /// The id of a line of a bank statement: a UUID of the firm's own kind (RFC 9562, version 8)
    /// made of SHA-256 over the bank and the line's hash.
    pub fn of_line(bank: &BankCode, line: &DocumentHash) -> Self {
        Self::of(&["line", bank.as_str(), &line.to_string()])
    }

    /// The id of a payout, made as for [`DepositId::of_line`] of the processor's name for it.
    pub fn of_payout(payout: &ProcessorRef) -> Self {
        Self::of(&["payout", payout.as_str()])
    }

    /// The id of a statement, made as for [`DepositId::of_line`] of the account, the hash of its file and which
    /// statement of the file it is.
    pub fn of_statement(bank: &BankCode, file: &DocumentHash, part: u32) -> Self {
        Self::of(&["statement", bank.as_str(), &file.to_string(), &part.to_string()])
    }

    fn of(parts: &[&str]) -> Self {
        use sha2::{Digest as _, Sha256};
        // No part has a slash in it.
        let hash: [u8; 32] = Sha256::digest(parts.join("/")).into();
        let mut bytes = [0; 16];
        bytes.copy_from_slice(&hash[..16]);
        Self(uuid::Builder::from_custom_bytes(bytes).into_uuid())
    }
}

/// Most characters of a [`Code`].
pub const CODE_LENGTH_MAX: usize = 64;

/// Declares a short code that a caller chooses.
macro_rules! code {
    ($($(#[$meta:meta])* $Name:ident;)*) => {$(
        $(#[$meta])*
        #[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $Name(CompactString);

        impl $Name {
            /// Checks a code: 1 to 64 of `A–Z a–z 0–9 . _ : -`, and nothing the door refuses.
            pub fn parse(text: &str) -> Result<Self, ValueError> {
                crate::value::check_code(text)?;
                Ok(Self(text.into()))
            }

            /// The code.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $Name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }

        impl Field for $Name {
            fn put(&self, out: &mut Out) {
                out.string(&self.0);
            }
            fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
                let text: CompactString = input.checked(crate::value::check_code)?;
                if input.is_strict() {
                    crate::value::check_code_letters(&text)
                        .map_err(|error| input.error(format!("a code: {error}")))?;
                }
                Ok(Self(text))
            }
        }
    )*};
}

code! {
    /// A plan of the firm.
    PlanCode;
    /// A language, as ISO 639 has it: `en`, `es`.
    LanguageCode;
    /// A bureau (consumer reporting agency) the firm has registered.
    BureauCode;
    /// One negative entry of a client's file, under the name the CRM gives it.
    ItemCode;
    /// One identity paper of a client.
    PaperCode;
    /// A rule pack.
    PackCode;
    /// A payment, refund, chargeback, charge or payout as the card processor names it.
    ProcessorRef;
    /// One of the firm's accounts at a bank, under the firm's own name for it.
    BankCode;
    /// A reference or a return reason as a bank writes it.
    BankReference;
    /// The number of an account in the books.
    AccountNumber;
    /// A carrier's tracking number.
    TrackingCode;
    /// A processor's token for a card on file; never the number.
    CardToken;
}

/// A US state, district or territory, by its two-letter postal code.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct StateCode([u8; 2]);

/// USPS Publication 28, Appendix B: two-letter state and possession abbreviations, and the
/// military "states" (from memory).
const STATES: &str = "AK AL AR AS AZ CA CO CT DC DE FL FM GA GU HI IA ID IL IN KS KY LA MA MD ME MH \
                      MI MN MO MP MS MT NC ND NE NH NJ NM NV NY OH OK OR PA PR PW RI SC SD TN TX UT \
                      VA VI VT WA WI WV WY AA AE AP";

impl StateCode {
    /// Reads a postal code, upper case.
    pub fn parse(text: &str) -> Result<Self, ValueError> {
        let known = text.len() == 2 && STATES.split_ascii_whitespace().any(|state| state == text);
        match (known, text.as_bytes()) {
            (true, &[first, second]) => Ok(Self([first, second])),
            _ => Err(ValueError::new("must be a two-letter USPS state code in upper case")),
        }
    }

    /// The two letters.
    ///
    /// # Panics
    /// Never: only ASCII letters are ever kept.
    pub fn as_str(&self) -> &str {
        std::str::from_utf8(&self.0).expect("only ASCII letters are ever kept")
    }
}

impl fmt::Display for StateCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl Field for StateCode {
    fn put(&self, out: &mut Out) {
        out.string(self.as_str());
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let text = input.string()?;
        Self::parse(&text).map_err(|e| input.error(e.to_string()))
    }
}

/// The hash of a scan, letter or other document kept outside the log: SHA-256 (FIPS 180-4).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DocumentHash(pub [u8; 32]);

impl DocumentHash {
    /// Reads 64 lower-case hexadecimal digits.
    pub fn parse(text: &str) -> Result<Self, ValueError> {
        crate::codec::unhex(text).map(Self).ok_or_else(|| {
            ValueError::new("must be a SHA-256 hash: 64 lower-case hexadecimal digits")
        })
    }
}

impl fmt::Display for DocumentHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&crate::codec::hex(&self.0))
    }
}

impl Field for DocumentHash {
    fn put(&self, out: &mut Out) {
        self.0.put(out);
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        <[u8; 32]>::take(input).map(Self)
    }
    fn each_document(&self, visit: &mut dyn FnMut(DocumentHash)) {
        visit(*self);
    }
}
