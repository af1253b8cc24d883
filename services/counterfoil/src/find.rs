//! Lists gathered from their pages, and a case found by what a person knows of it.

use std::collections::HashMap;

use api::v1::find_cases_request::Sought;
use api::{NAMES_MAX, v1};
use tonic::{Code, Status};

use crate::connect::Session;
use crate::exit::Stop;

/// Entries of one page: the most that the service gives.
const PAGE_SIZE: i32 = 500;
/// Most cases named when several fit.
const CASES_NAMED_MAX: usize = 10;

/// A list as far as it was asked for.
pub(crate) struct Gathered<T> {
    /// Its entries.
    pub(crate) entries: Vec<T>,
    /// Token of the page after them; empty if there is none.
    pub(crate) next_page_token: String,
}

impl<T> Gathered<T> {
    /// Says that the list goes on, if it does.
    pub(crate) fn more(&self) -> Option<String> {
        let left = !self.next_page_token.is_empty();
        left.then(|| format!("... and more after these {}: raise --limit", self.entries.len()))
    }
}

/// Asks for page after page, until there are `limit` entries or no more.
pub(crate) async fn gather<T>(
    limit: usize,
    mut page: impl AsyncFnMut(i32, String) -> Result<(Vec<T>, String), Status>,
) -> Result<Gathered<T>, Status> {
    let mut entries = Vec::new();
    let mut token = String::new();
    loop {
        let left = i32::try_from(limit - entries.len()).unwrap_or(i32::MAX);
        let (more, next) = page(left.min(PAGE_SIZE), token).await?;
        entries.extend(more);
        token = next;
        if token.is_empty() || entries.len() >= limit {
            return Ok(Gathered { entries, next_page_token: token });
        }
    }
}

/// Every case, up to a number.
pub(crate) async fn cases(
    session: &mut Session,
    filter: &v1::ListCasesRequest,
    limit: usize,
) -> anyhow::Result<Gathered<v1::CaseSummary>> {
    let parent = session.firm()?;
    let at_least_position = session.position;
    let gathered = gather(limit, async |page_size, page_token| {
        let request = v1::ListCasesRequest {
            parent: parent.clone(),
            page_size,
            page_token,
            at_least_position,
            ..filter.clone()
        };
        let answer = session.cases.list_cases(request).await?.into_inner();
        Ok((answer.cases, answer.next_page_token))
    });
    Ok(gathered.await?)
}

/// What the clients of cases are called, asked for so many at a time as the service names at once.
pub(crate) async fn names(
    session: &mut Session,
    cases: impl Iterator<Item = &str>,
) -> anyhow::Result<HashMap<String, String>> {
    let mut wanted: Vec<String> =
        cases.filter(|case| !case.is_empty()).map(str::to_owned).collect();
    wanted.sort_unstable();
    wanted.dedup();
    let mut names = HashMap::new();
    for some in wanted.chunks(NAMES_MAX) {
        let request = v1::NameClientsRequest {
            parent: session.firm()?,
            cases: some.to_vec(),
            at_least_position: session.position,
        };
        let answer = session.cases.name_clients(request).await?.into_inner();
        names.extend(answer.clients.into_iter().map(|client| (client.case, client.display_name)));
    }
    Ok(names)
}

/// Fewest digits of what is looked up as a telephone number.
const PHONE_DIGITS_MIN: usize = 7;
/// Most digits of a telephone number (ITU-T E.164).
const PHONE_DIGITS_MAX: usize = 15;

/// The one case whose id begins or ends so, or whose client is called or reached so.
pub(crate) async fn case(session: &mut Session, asked: &str) -> anyhow::Result<String> {
    let wanted = asked.trim();
    if wanted.is_empty() {
        return Err(Stop::usage("name a case by its id, a part of it, or its client's name"));
    }
    let mut found = v1::FindCasesResponse::default();
    for sought in by(wanted) {
        let request = v1::FindCasesRequest {
            parent: session.firm()?,
            at_least_position: session.position,
            sought: Some(sought),
        };
        let is_phone = matches!(request.sought, Some(Sought::Phone(_)));
        found = match session.cases.find_cases(request).await {
            Ok(found) => found.into_inner(),
            // What cannot be a telephone number is nobody's.
            Err(status) if is_phone && status.code() == Code::InvalidArgument => continue,
            Err(status) => return Err(status.into()),
        };
        if found.too_many || !found.cases.is_empty() {
            break;
        }
    }
    match found.cases.as_slice() {
        [one] => Ok(one.name.clone()),
        [] if found.too_many => Err(Stop::usage(
            "more than 50 cases fit: say more of the name, the telephone number, or the id",
        )),
        [] if found.incomplete => Err(Stop::refused(
            "no case is found by this yet: the names of some clients are not indexed; try again",
        )),
        [] => Err(Stop::refused(
            "no case has this id, and no client these whole words in the name or this telephone \
             number; `counterfoil clients` lists them",
        )),
        several => {
            let named = several.iter().take(CASES_NAMED_MAX);
            let named: Vec<_> =
                named.map(|case| format!("  {}", crate::words::id(&case.name))).collect();
            Err(Stop::usage(format!(
                "several cases fit; name one by its id:\n{}",
                named.join("\n")
            )))
        }
    }
}

/// What something may be meant as, the likeliest first.
fn by(wanted: &str) -> Vec<Sought> {
    let count = |is: fn(&char) -> bool| wanted.chars().filter(is).count();
    let digits = count(char::is_ascii_digit);
    let (hexadecimal, hyphens) = (count(char::is_ascii_hexdigit), count(|c| *c == '-'));
    let is_part = (4..=32).contains(&hexadecimal) && hexadecimal + hyphens == count(|_| true);
    let is_phone = (PHONE_DIGITS_MIN..=PHONE_DIGITS_MAX).contains(&digits)
        && count(|c| c.is_alphabetic()) == 0;
    let has_word = wanted.chars().any(char::is_alphabetic);
    let part = is_part.then(|| Sought::IdPart(wanted.to_owned()));
    let phone = is_phone.then(|| Sought::Phone(wanted.to_owned()));
    let name = (has_word || !(is_part || is_phone)).then(|| Sought::Name(wanted.to_owned()));
    [part, phone, name].into_iter().flatten().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn pages_are_gathered_up_to_the_limit() {
        let page = async |size: i32, token: String| {
            let from: i32 = token.parse().unwrap_or(0);
            let until = (from + size.min(4)).min(10);
            let next = if until < 10 { until.to_string() } else { String::new() };
            Ok(((from..until).collect(), next))
        };
        let all = gather(100, page).await.unwrap();
        assert_eq!((all.entries.len(), all.more()), (10, None));
        let some = gather(6, page).await.unwrap();
        assert_eq!(some.entries, [0, 1, 2, 3, 4, 5]);
        assert!(some.more().unwrap().contains("these 6"));
    }

    #[test]
    fn what_is_asked_for_is_an_id_a_number_or_a_name() {
        let kinds = |wanted: &str| -> Vec<&str> {
            let kind = |sought: &Sought| match sought {
                Sought::IdPart(_) => "id",
                Sought::Phone(_) => "phone",
                Sought::Name(_) => "name",
            };
            by(wanted).iter().map(kind).collect()
        };
        assert_eq!(kinds("00c1"), ["id", "name"]);
        assert_eq!(kinds("0198"), ["id"]);
        assert_eq!(kinds("019800c1-0000-7000"), ["id", "name"]);
        assert_eq!(kinds("+1 (201) 555-0123"), ["phone"]);
        assert_eq!(kinds("201-555-0123"), ["id", "phone"]);
        assert_eq!(kinds("00000000-0000-7000-8000-000000000099"), ["id"]);
        assert_eq!(kinds("Ana Example"), ["name"]);
        assert_eq!(kinds("Beef"), ["id", "name"]);
        assert_eq!(kinds("c1"), ["name"]);
    }
}
