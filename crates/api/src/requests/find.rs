//! `FindCases` and `NameClients`.

use domain::ids::{CaseId, FirmId};
use domain::value::Personal;
use domain::words::words_of;
use log::Sought;
use uuid::Uuid;

use super::read::firm_name;
use crate::contact::phone;
use crate::field::{FieldErrors, Fields};
use crate::limit::NAMES_MAX;
use crate::v1::find_cases_request::Sought as Asked;
use crate::{name, v1};

/// Fewest digits of a part of an id: fewer fit too many.
const DIGITS_MIN: usize = 4;
/// Digits of an id.
const DIGITS: usize = 32;

/// The beginning or the end of a case's id.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct IdPart(String);

impl IdPart {
    fn parse(text: &str) -> Option<Self> {
        let digits: String = text.trim().chars().filter(|c| *c != '-').collect();
        let shaped = (DIGITS_MIN..=DIGITS).contains(&digits.len())
            && digits.bytes().all(|digit| digit.is_ascii_hexdigit());
        shaped.then(|| Self(digits.to_ascii_lowercase()))
    }

    /// The first and the last id that begin so.
    pub fn range(&self) -> Option<(CaseId, CaseId)> {
        let filled = |with: &str| {
            let digits = format!("{}{}", self.0, with.repeat(DIGITS - self.0.len()));
            Uuid::try_parse(&digits).ok().map(CaseId)
        };
        Some((filled("0")?, filled("f")?))
    }

    /// Whether an id ends so.
    pub fn ends(&self, case: CaseId) -> bool {
        case.0.simple().to_string().ends_with(&self.0)
    }
}

/// What cases are looked for by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FindBy {
    /// A part of the id.
    Id(IdPart),
    /// What the client is called, or how the client is reached.
    Client(Sought),
}

/// Who is looked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FindAsked {
    /// The firm.
    pub firm: FirmId,
    /// The read waits until this position is applied.
    pub at_least_position: u64,
    /// By what.
    pub by: FindBy,
}

/// Whose names are asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NamesAsked {
    /// The firm.
    pub firm: FirmId,
    /// Their cases.
    pub cases: Vec<CaseId>,
    /// The read waits until this position is applied.
    pub at_least_position: u64,
}

/// Reads a `NameClients`.
pub fn name_clients(m: &v1::NameClientsRequest) -> Result<NamesAsked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let cases = f.each("cases", &m.cases, 1..=NAMES_MAX, |f, text| {
            let rule = "must be firms/{firm}/cases/{case}, both lower-case UUIDs";
            let (owner, case) = f.known_self(name::parse_case(text), rule)?;
            let is_own = firm.is_none_or(|firm| firm == owner);
            f.known_self(is_own.then_some(case), "must be of the same firm as parent")
        });
        let at_least_position = f.position("at_least_position", m.at_least_position);
        let (firm, cases) = (firm?, cases?);
        Some(NamesAsked { firm, cases, at_least_position: at_least_position? })
    })
}

/// Reads a `FindCases`.
pub fn find_cases(m: &v1::FindCasesRequest) -> Result<FindAsked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let at_least_position = f.position("at_least_position", m.at_least_position);
        let by = match &m.sought {
            Some(Asked::IdPart(part)) => {
                let rule = "must be 4 to 32 hexadecimal digits of an id";
                f.form("id_part", part, rule, IdPart::parse).map(FindBy::Id)
            }
            Some(Asked::Name(name)) => {
                let name = f.parse("name", name, Personal::parse)?;
                if name.revealed().is_none_or(|name| words_of(name).is_empty()) {
                    return f.refuse("name", "must hold a word");
                }
                Some(FindBy::Client(Sought::Name(name)))
            }
            Some(Asked::Phone(number)) => {
                let number = f.parse("phone", number, phone);
                number.map(|number| FindBy::Client(Sought::Phone(number)))
            }
            None => f.refuse("sought", "must be one of id_part, name and phone"),
        };
        Some(FindAsked { firm: firm?, at_least_position: at_least_position?, by: by? })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_of_an_id_is_its_beginning_or_its_end() {
        let case = |text: &str| CaseId(Uuid::try_parse(text).unwrap());
        let part = IdPart::parse("0198-00C1").unwrap();
        assert_eq!(
            part.range().unwrap(),
            (
                case("019800c1-0000-0000-0000-000000000000"),
                case("019800c1-ffff-ffff-ffff-ffffffffffff")
            )
        );
        assert!(part.ends(case("00000000-0000-7000-8000-0000019800c1")));
        assert!(!part.ends(case("019800c1-0000-7000-8000-000000000000")));
        let whole = "019800c1-0000-7000-8000-000000000001";
        assert_eq!(IdPart::parse(whole).unwrap().range(), Some((case(whole), case(whole))));
        for wrong in ["", "1", "00c", "00g1", "%", "00c1%", &"0".repeat(33)] {
            assert_eq!(IdPart::parse(wrong), None, "{wrong:?}");
        }
    }
}
