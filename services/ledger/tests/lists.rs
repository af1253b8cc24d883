//! Lists choose before they count, cost what they show, and name clients for whoever may see them.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use api::v1;
use api::v1::action::Action as A;
use api::v1::case_ledger_client::CaseLedgerClient;
use common::erasing::{LATER, end_service, erasure};
use common::{Service, action, date, enrol, first_month, id, new_case, usd};
use tonic::Code;

/// Clients with a month each; only of some is its work done.
async fn clients(service: &Service, done: &[bool]) -> (String, Vec<String>, i64) {
    let firm = service.firm().await;
    let (mut cases, mut position) = (Vec::new(), 0);
    for (at, done) in done.iter().enumerate() {
        let phone = format!("+120155501{at:02}");
        let mut month = first_month(v1::Seat::Individual, &phone, &format!("tok_{at}"));
        if !done {
            month.pop();
        }
        let case = new_case(&firm);
        position = service.record(&case, month).await.position;
        cases.push(case);
    }
    (firm, cases, position)
}

/// Bills all, and waits until lists show it: the invoices' accounts by number.
async fn bill(service: &Service, firm: &str) -> Vec<String> {
    let run =
        v1::RunBillingRequest { parent: firm.into(), request_id: id(), as_of: date(2026, 3, 2) };
    let ran = service.billing().run_billing(run).await.unwrap().into_inner();
    ran.invoices.into_iter().map(|invoice| invoice.account).collect()
}

async fn head(service: &Service, firm: &str) -> i64 {
    let request = v1::GetHeadRequest { parent: firm.into() };
    service.administration().get_head(request).await.unwrap().into_inner().position
}

#[tokio::test(flavor = "multi_thread")]
async fn fees_are_chosen_before_a_page_is_cut() {
    let service = Service::start().await;
    let (firm, cases, position) = clients(&service, &[false, false, false, true, true]).await;
    let list = v1::ListClaimableRequest {
        parent: firm,
        as_of: date(2026, 3, 2),
        at_least_position: position,
        page_size: 2,
        ..Default::default()
    };
    for (claimable, expected) in [(true, &cases[3..]), (false, &cases[..3])] {
        let mut found = Vec::new();
        // What is summed beside the first page does not change the list.
        let mut page = v1::ListClaimableRequest {
            claimable: Some(claimable),
            with_sums: true,
            ..list.clone()
        };
        loop {
            let answer = service.billing().list_claimable(page.clone()).await.unwrap();
            let answer = answer.into_inner();
            let summed: i32 = answer.sums.iter().map(|sum| sum.fees).sum();
            assert_eq!(summed, if page.with_sums { 5 } else { 0 });
            assert!(answer.fees.iter().all(|fee| fee.claimable == claimable));
            assert_eq!(answer.fees.len(), 2.min(expected.len() - found.len()), "a full page");
            found.extend(answer.fees.into_iter().map(|fee| fee.case));
            (page.page_token, page.with_sums) = (answer.next_page_token, false);
            if page.page_token.is_empty() {
                break;
            }
        }
        found.sort_unstable();
        let mut expected = expected.to_vec();
        expected.sort_unstable();
        assert_eq!(found, expected);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn invoices_of_a_state_are_found_without_reading_the_accounts_of_others() {
    let service = Service::start().await;
    let (firm, _, _) = clients(&service, &[true; 12]).await;
    let accounts = bill(&service, &firm).await;
    assert_eq!(accounts.len(), 12);
    let invoice = |number: usize| format!("{firm}/invoices/{number}");
    let credit = v1::GrantCreditRequest {
        name: accounts[11].clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        invoice: invoice(12),
        amount: usd(99),
        reason: "goodwill".into(),
    };
    service.accounts().grant_credit(credit).await.unwrap();
    let paid = v1::RecordPaymentRequest {
        name: accounts[10].clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        event: Some(v1::record_payment_request::Event::Settled(v1::PaymentSettled {
            payment: "pay-11".into(),
            amount: usd(99),
            invoice: invoice(11),
        })),
    };
    service.accounts().record_payment(paid).await.unwrap();
    let at_least_position = head(&service, &firm).await;
    let list = |state: v1::InvoiceState| v1::ListInvoicesRequest {
        parent: firm.clone(),
        state: state.into(),
        at_least_position,
        ..Default::default()
    };
    for (state, numbers) in [
        (v1::InvoiceState::Unspecified, (1..=12).collect::<Vec<i64>>()),
        (v1::InvoiceState::Open, (1..=10).collect()),
        (v1::InvoiceState::Paid, vec![11]),
        (v1::InvoiceState::Closed, vec![12]),
    ] {
        let ask = async || service.accounts().list_invoices(list(state)).await.unwrap();
        let answer = ask().await.into_inner();
        let found: Vec<i64> = answer.invoices.iter().map(|invoice| invoice.number).collect();
        assert_eq!((&found, answer.next_page_token.as_str()), (&numbers, ""), "{state:?}");
        let read = service.rows_of(async || drop(ask().await)).await;
        let most = 10 * u64::try_from(found.len()).unwrap() + 10;
        assert!(read <= most, "{read} rows and events for {} invoices", found.len());
    }
}

/// Records that a client paid; where in the log.
async fn pay(service: &Service, account: &str, payment: &str, invoice: &str) -> i64 {
    let settled =
        v1::PaymentSettled { payment: payment.into(), amount: usd(99), invoice: invoice.into() };
    let paid = v1::RecordPaymentRequest {
        name: account.into(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        event: Some(v1::record_payment_request::Event::Settled(settled)),
    };
    let answer = service.accounts().record_payment(paid).await.unwrap().into_inner();
    answer.receipt.unwrap().first_position
}

/// What few of many are is on the first page, and a page costs what it shows: common practice, no source.
#[tokio::test(flavor = "multi_thread")]
async fn a_first_page_is_full_where_most_do_not_match() {
    let service = Service::start().await;
    let (firm, _, _) = clients(&service, &[true; 20]).await;
    let accounts = bill(&service, &firm).await;
    let invoice = |number: usize| format!("{firm}/invoices/{number}");
    for (at, account) in accounts.iter().enumerate().take(19) {
        pay(&service, account, &format!("pay-{at}"), &invoice(at + 1)).await;
    }
    pay(&service, &accounts[7], "again-7", "").await;
    let (parent, at_least_position) = (firm.clone(), head(&service, &firm).await);
    let with_open = v1::ListAccountsRequest {
        parent: parent.clone(),
        at_least_position,
        page_size: 1,
        with_open_amount: true,
        ..Default::default()
    };
    let open = v1::ListInvoicesRequest {
        parent: parent.clone(),
        at_least_position,
        page_size: 1,
        state: v1::InvoiceState::Open.into(),
        ..Default::default()
    };
    let of_one = v1::ListPaymentsRequest {
        parent: parent.clone(),
        at_least_position,
        page_size: 1,
        account: accounts[7].clone(),
        ..Default::default()
    };
    let unearned = v1::ListExposuresRequest {
        parent,
        at_least_position,
        page_size: 1,
        kind: v1::ExposureKind::PaymentUnearned.into(),
        ..Default::default()
    };
    macro_rules! page {
        ($call:ident, $request:expr, $entries:ident, $goes_on:expr) => {{
            let ask = async || service.accounts().$call($request.clone()).await.unwrap();
            let answer = ask().await.into_inner();
            assert_eq!(answer.$entries.len(), 1, stringify!($call));
            assert_eq!(!answer.next_page_token.is_empty(), $goes_on, stringify!($call));
            let read = service.rows_of(async || drop(ask().await)).await;
            assert!(read <= 60, "{} read {read} rows and events", stringify!($call));
            answer.$entries.into_iter().next().unwrap()
        }};
    }
    assert_eq!(page!(list_accounts, with_open, accounts, false).name, accounts[19]);
    assert_eq!(page!(list_invoices, open, invoices, false).number, 20);
    assert_eq!(page!(list_payments, of_one, payments, true).payment, "pay-7");
    let exposure = page!(list_exposures, unearned, exposures, false);
    assert_eq!((exposure.account, exposure.owed), (accounts[7].clone(), usd(99)));
}

/// A row and what is shown of it are of one moment, whatever is recorded meanwhile.
#[tokio::test(flavor = "multi_thread")]
async fn what_a_list_chooses_is_what_it_shows_at_the_position_that_it_names() {
    let service = Service::start().await;
    let (firm, _, _) = clients(&service, &[true; 8]).await;
    let accounts = bill(&service, &firm).await;
    let issued = head(&service, &firm).await;
    let mut paid: Vec<i64> = Vec::new();
    for (at, account) in accounts.iter().enumerate() {
        let invoice = format!("{firm}/invoices/{}", at + 1);
        paid.push(pay(&service, account, &format!("pay-{at}"), &invoice).await);
        // The read models may be behind that.
        for (state, is_paid) in [(v1::InvoiceState::Open, false), (v1::InvoiceState::Paid, true)] {
            let list = v1::ListInvoicesRequest {
                parent: firm.clone(),
                at_least_position: issued,
                state: state.into(),
                ..Default::default()
            };
            let answer = service.accounts().list_invoices(list).await.unwrap().into_inner();
            let was_paid = |number: &usize| {
                paid.get(number - 1).is_some_and(|paid| *paid <= answer.position) == is_paid
            };
            let expected: Vec<usize> = (1..=accounts.len()).filter(was_paid).collect();
            let shown = answer.invoices.iter().map(|of| usize::try_from(of.number).unwrap());
            assert_eq!(shown.collect::<Vec<_>>(), expected, "{state:?} at {}", answer.position);
            assert!(answer.invoices.iter().all(|invoice| invoice.state() == state));
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn cases_are_listed_from_their_rows_alone_in_the_order_asked_for() {
    let service = Service::start().await;
    let (firm, cases, _) = clients(&service, &[true, false, true]).await;
    let late = new_case(&firm);
    let mut enrolment = enrol(v1::Seat::Individual, "+12015550190", "tok_late");
    enrolment.occurred_on = date(2026, 1, 2);
    service.record(&late, vec![enrolment]).await;
    let letter = v1::LetterDelivered { bureau: "northern".into(), round: 1 };
    let delivered = action(date(2026, 1, 14), A::LetterDelivered(letter));
    let position = service.record(&cases[2], vec![delivered]).await.position;
    let list = |order_by: &str| v1::ListCasesRequest {
        parent: firm.clone(),
        order_by: order_by.into(),
        at_least_position: position,
        page_size: 3,
        ..Default::default()
    };
    let all = async |order_by: &str| {
        let (mut found, mut page) = (Vec::new(), list(order_by));
        loop {
            let answer = service.cases().list_cases(page.clone()).await.unwrap().into_inner();
            found.extend(answer.cases);
            page.page_token = answer.next_page_token;
            if page.page_token.is_empty() {
                return found;
            }
        }
    };
    let names = |found: &[v1::CaseSummary]| -> Vec<String> {
        found.iter().map(|case| case.name.clone()).collect()
    };
    let by_name = all("").await;
    assert!(by_name.is_sorted_by_key(|case| case.name.clone()) && by_name.len() == 4);
    assert!(by_name.iter().all(|case| case.client_display_name == "Ada Lark"));
    assert_eq!(names(&all("enrolled_on").await)[0], late);
    // The letter of the third was delivered a day after it left, that of the first is assumed to travel longer.
    let by_due = all("next_due_on").await;
    assert_eq!(names(&by_due)[..2], [cases[2].clone(), cases[0].clone()]);
    assert!(by_due[2..].iter().all(|case| case.next_due_on.is_none()));
    let first = by_due.iter().find(|case| case.name == cases[0]).unwrap();
    assert_eq!((first.listing_count, first.deleted_count, first.round_count), (1, 0, 1));
    let unknown = service.cases().list_cases(list("client_display_name")).await.unwrap_err();
    assert_eq!(unknown.code(), Code::InvalidArgument, "what is sealed sorts nothing");

    // Now that all looks are on record, a list reads no event.
    let rows =
        service.rows_of(async || drop(service.cases().list_cases(list("")).await.unwrap())).await;
    assert!(rows <= 6, "{rows}");
}

#[tokio::test(flavor = "multi_thread")]
async fn everything_due_is_counted_whatever_the_page_shows() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let paper = || {
        A::IdentityPaperReceived(v1::IdentityPaperReceived {
            paper: "id-1".into(),
            kind: v1::PaperKind::PhotoId.into(),
            document_sha256: String::new(),
        })
    };
    let mut position = 0;
    for at in 0..3 {
        let case = new_case(&firm);
        let enrolled = enrol(v1::Seat::Individual, &format!("+1201555010{at}"), "tok");
        let received = action(date(2026, 1, 6), paper());
        position = service.record(&case, vec![enrolled, received]).await.position;
    }
    let mut request = v1::ListDueRequest {
        parent: firm,
        at_least_position: position,
        page_size: 2,
        with_counts: true,
        ..Default::default()
    };
    let first = service.administration().list_due(request.clone()).await.unwrap().into_inner();
    let waiting = v1::DueCount { kind: v1::DueKind::PaperWaiting.into(), count: 3, or_more: false };
    assert_eq!((first.due.len(), first.counts.as_slice()), (2, [waiting].as_slice()));
    (request.page_token, request.with_counts) = (first.next_page_token, false);
    let second = service.administration().list_due(request).await.unwrap().into_inner();
    assert_eq!((second.due.len(), second.counts.len()), (1, 0), "the same list goes on");
}

#[tokio::test(flavor = "multi_thread")]
async fn clients_are_named_for_whoever_may_see_them_and_each_is_on_record_once() {
    let service = Service::start().await;
    let (firm, cases, position) = clients(&service, &[true, true, true]).await;
    let ask = |cases: Vec<String>| v1::NameClientsRequest {
        parent: firm.clone(),
        cases,
        at_least_position: position,
    };
    let token = service.token(&firm, &[v1::Scope::Read]).await;
    let mut reader = CaseLedgerClient::new(service.wire(Some(&token)).await);
    let unknown = new_case(&firm);
    for _ in 0..2 {
        let asked = ask(vec![cases[1].clone(), unknown.clone(), cases[0].clone()]);
        let named = reader.name_clients(asked).await.unwrap().into_inner().clients;
        let names: Vec<_> =
            named.iter().map(|n| (n.case.as_str(), n.display_name.as_str())).collect();
        assert_eq!(names, [(cases[1].as_str(), "Ada Lark"), (cases[0].as_str(), "Ada Lark")]);
    }
    let looks = async |case: &str| {
        let (_, id) = case.rsplit_once('/').unwrap();
        let stream = Some(format!("looks/{id}"));
        let request = v1::ReadEventsRequest { parent: firm.clone(), stream, ..Default::default() };
        service.cases().read_events(request).await.unwrap().into_inner().events.len()
    };
    assert_eq!([looks(&cases[0]).await, looks(&cases[1]).await], [1, 1]);
    assert_eq!(looks(&cases[2]).await, 0, "nobody asked for the third");

    let biller = service.token(&firm, &[v1::Scope::Bill]).await;
    let mut biller = CaseLedgerClient::new(service.wire(Some(&biller)).await);
    let denied = biller.name_clients(ask(cases.clone())).await.unwrap_err();
    assert_eq!(denied.code(), Code::PermissionDenied);
    let (_, id) = cases[0].rsplit_once('/').unwrap();
    let foreign = format!("firms/{}/cases/{id}", uuid::Uuid::now_v7());
    for wrong in [vec![], vec![foreign], vec!["Ada".into()], vec![cases[0].clone(); 501]] {
        let refused = reader.name_clients(ask(wrong)).await.unwrap_err();
        assert_eq!(refused.code(), Code::InvalidArgument);
    }

    service.record(&cases[0], vec![action(date(2026, 3, 2), end_service())]).await;
    service.clock.set(LATER);
    service.cases().name_clients(ask(vec![cases[0].clone()])).await.unwrap();
    let mut privacy = v1::privacy_client::PrivacyClient::new(service.local.clone());
    privacy.erase_person(erasure(&cases[0], date(2032, 2, 2))).await.unwrap();
    let named = service.cases().name_clients(ask(cases[..2].to_vec())).await.unwrap().into_inner();
    assert_eq!(named.clients.len(), 1, "an erased client has no name any more");
}
