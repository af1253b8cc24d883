//! Events are read by what is asked of them: stream, days, types; and no others are looked at.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use api::v1;
use common::{Service, date, first_month, new_case};

/// A firm of some clients with a month each.
async fn clients(service: &Service, count: usize) -> (String, Vec<String>) {
    let firm = service.firm().await;
    let cases: Vec<String> = (0..count).map(|_| new_case(&firm)).collect();
    for (at, case) in cases.iter().enumerate() {
        let phone = format!("+120155501{at:02}");
        let month = first_month(v1::Seat::Individual, &phone, &format!("tok_{at}"));
        service.record(case, month).await;
    }
    (firm, cases)
}

/// Every page of a list, and how many pages there were.
async fn read(service: &Service, mut request: v1::ReadEventsRequest) -> (Vec<v1::Event>, usize) {
    let (mut events, mut pages) = (Vec::new(), 0);
    loop {
        let answer = service.cases().read_events(request.clone()).await.unwrap().into_inner();
        events.extend(answer.events);
        (request.page_token, pages) = (answer.next_page_token, pages + 1);
        if request.page_token.is_empty() {
            return (events, pages);
        }
    }
}

fn positions(events: &[v1::Event]) -> Vec<i64> {
    events.iter().map(|event| event.position).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stream_is_read_by_days_and_types_page_by_page() {
    let service = Service::start().await;
    let (firm, cases) = clients(&service, 2).await;
    let all = v1::ReadEventsRequest { parent: firm.clone(), page_size: 7, ..Default::default() };
    let (events, _) = read(&service, all.clone()).await;
    let stream = cases[0].rsplit_once('/').map(|(_, case)| format!("case/{case}"));
    let own = |event: &&v1::Event| Some(&event.stream) == stream.as_ref();
    let of_case: Vec<v1::Event> = events.iter().filter(own).cloned().collect();
    assert!(of_case.len() > 10 && of_case.len() < events.len());
    let of_stream = v1::ReadEventsRequest { stream, ..all.clone() };
    let (found, pages) = read(&service, of_stream.clone()).await;
    assert_eq!(positions(&found), positions(&of_case));
    assert_eq!(pages, of_case.len().div_ceil(7), "no page is empty or short");

    // Where it is read from may be any position.
    let after_position = of_case[4].position + 1;
    let (found, _) =
        read(&service, v1::ReadEventsRequest { after_position, ..of_stream.clone() }).await;
    let later = |event: &&v1::Event| event.position > after_position;
    let expected: Vec<v1::Event> = of_case.iter().filter(later).cloned().collect();
    assert_eq!(positions(&found), positions(&expected));

    let days: Vec<_> = of_case.iter().filter_map(|event| event.occurred_on).collect();
    let day = |day: &api::google::r#type::Date| (day.year, day.month, day.day);
    let (first, last) = (days.iter().map(day).min().unwrap(), days.iter().map(day).max().unwrap());
    assert!(first < last);
    let types = vec!["identity_paper_received".to_owned(), "round_sent".to_owned()];
    for asked in [of_stream, all] {
        let base = positions(&read(&service, asked.clone()).await.0);
        let known: Vec<&v1::Event> =
            events.iter().filter(|event| base.contains(&event.position)).collect();
        for (from, through, types) in [
            (Some(last), None, Vec::new()),
            (None, Some(first), Vec::new()),
            (Some(first), Some(last), types.clone()),
            (Some(last), None, types.clone()),
        ] {
            let wanted = |event: &&&v1::Event| {
                let on = day(&event.occurred_on.unwrap());
                from.is_none_or(|from| from <= on)
                    && through.is_none_or(|through| on <= through)
                    && (types.is_empty() || types.contains(&event.r#type))
            };
            let expected: Vec<i64> = known.iter().filter(wanted).map(|e| e.position).collect();
            let message = |day: (i32, i32, i32)| date(day.0, day.1, day.2);
            let request = v1::ReadEventsRequest {
                from: from.and_then(message),
                through: through.and_then(message),
                types: types.clone(),
                page_size: 2,
                ..asked.clone()
            };
            let (found, _) = read(&service, request).await;
            assert_eq!(positions(&found), expected, "{from:?} {through:?} {types:?}");
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn whoever_reads_one_client_reads_no_other() {
    let service = Service::start().await;
    let (firm, cases) = clients(&service, 12).await;
    let stream = cases[11].rsplit_once('/').map(|(_, case)| format!("case/{case}"));
    let request = v1::ReadEventsRequest { parent: firm, stream, ..Default::default() };
    let (events, _) = read(&service, request.clone()).await;
    let looked_at = service.rows_of(async || drop(read(&service, request.clone()).await)).await;
    let own = u64::try_from(events.len()).unwrap();
    assert!(looked_at <= 3 * own, "{looked_at} rows and events for {own} of one client");
}

/// The last event of a client leads to one of the firm, or to none, so that those before it are hidden.
#[tokio::test(flavor = "multi_thread")]
async fn a_stream_that_leads_elsewhere_is_not_shown() {
    let service = Service::start().await;
    let (firm, cases) = clients(&service, 1).await;
    let (_, case) = cases[0].rsplit_once('/').unwrap();
    let digits = case.replace('-', "");
    let stream = Some(format!("case/{case}"));
    let request =
        v1::ReadEventsRequest { parent: firm, stream, page_size: 1_000, ..Default::default() };
    service.cases().read_events(request.clone()).await.unwrap();
    for previous in [1, 0] {
        let lead = |key: &str| {
            format!(
                "UPDATE event SET previous = {previous} WHERE position = \
                 (SELECT last_position FROM stream WHERE stream = {key})"
            )
        };
        let sqlite = lead(&format!("X'{digits}01'"));
        service.tamper(&sqlite, &lead(&format!("'\\x{digits}01'"))).await;
        let status = service.cases().read_events(request.clone()).await.unwrap_err();
        assert_eq!(status.code(), tonic::Code::DataLoss, "{previous}: {status:?}");
    }
}
