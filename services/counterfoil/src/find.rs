//! Lists gathered from their pages, and a case found by what a person knows of it.

use api::v1;
use tonic::Status;

use crate::connect::Session;
use crate::exit::Stop;

/// Entries of one page: the most that the service gives.
const PAGE_SIZE: i32 = 500;
/// Most cases that are looked through for a name.
const CASES_SEARCHED_MAX: usize = 20_000;
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

/// The one case whose id begins or ends so, or whose client is called so.
pub(crate) async fn case(session: &mut Session, asked: &str) -> anyhow::Result<String> {
    let wanted = asked.trim().to_lowercase();
    if wanted.is_empty() {
        return Err(Stop::usage("name a case by its id, a part of it, or its client's name"));
    }
    let all = cases(session, &v1::ListCasesRequest::default(), CASES_SEARCHED_MAX).await?;
    let mut fitting: Vec<_> = all.entries.iter().filter(|case| fits(case, &wanted)).collect();
    match fitting.as_slice() {
        [one] => Ok(one.name.clone()),
        [] => Err(Stop::refused(
            "no case has this id or client's name; look it up: counterfoil clients",
        )),
        _ => {
            fitting.truncate(CASES_NAMED_MAX);
            let named = fitting.iter().map(|case| format!("  {}", crate::words::id(&case.name)));
            let named: Vec<_> = named.collect();
            Err(Stop::usage(format!(
                "several cases fit; name one by its id:\n{}",
                named.join("\n")
            )))
        }
    }
}

fn fits(case: &v1::CaseSummary, wanted: &str) -> bool {
    let id = crate::words::id(&case.name);
    id.starts_with(wanted)
        || id.ends_with(wanted)
        || case.client_display_name.to_lowercase().contains(wanted)
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
    fn a_case_is_known_by_parts_of_its_id_and_by_its_client() {
        let case = v1::CaseSummary {
            name: "firms/f/cases/00000000-0000-7000-8000-0000000000c1".into(),
            client_display_name: "Ana Example".into(),
            ..Default::default()
        };
        assert!(fits(&case, "00c1") && fits(&case, "ana ex"));
        assert!(!fits(&case, "bob"));
    }
}
