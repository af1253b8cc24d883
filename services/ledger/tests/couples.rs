//! Couples as the running service finds them: who shares what, in whichever order they came.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use std::time::Duration;

use api::google::r#type::Date;
use api::v1;
use common::{Service, action, date, enrol, id, new_case, reason, record, usd};
use counterfoil_ledger::{Limits, ServerConfig};
use domain::money::Currency;
use log::Submission;
use tonic::Code;

const PATIENCE: Duration = Duration::from_secs(20);

/// What a client of the tests is compared by.
#[derive(Clone, Copy)]
struct Who {
    phone: &'static str,
    street: &'static str,
    card: &'static str,
}

const ADA: Who = Who { phone: "+12015550123", street: "12 Alder Row", card: "tok_ada" };

/// Somebody who shares two of three with Ada, and which two.
fn two_of_three() -> [(Who, [v1::Match; 2]); 3] {
    use v1::Match::{Address, Card, Phone};
    [
        (Who { card: "tok_own", ..ADA }, [Phone, Address]),
        (Who { street: "7 Birch Hill", ..ADA }, [Phone, Card]),
        (Who { phone: "+12015550124", ..ADA }, [Address, Card]),
    ]
}

fn enrolled(who: Who, on: Option<Date>) -> v1::Action {
    let mut enrolled = action(on, enrol(v1::Seat::Couple, who.phone, who.card).action.unwrap());
    if let Some(v1::action::Action::Enrol(enrol)) = &mut enrolled.action {
        enrol.contact.as_mut().unwrap().address.as_mut().unwrap().line1 = who.street.into();
    }
    enrolled
}

async fn suggested(service: &Service, firm: &str, position: i64) -> Vec<v1::SuggestedLink> {
    let list = v1::ListSuggestedLinksRequest {
        parent: firm.into(),
        at_least_position: position,
        ..v1::ListSuggestedLinksRequest::default()
    };
    service.accounts().list_suggested_links(list).await.unwrap().into_inner().suggested_links
}

async fn head(service: &Service, firm: &str) -> i64 {
    let head = v1::GetHeadRequest { parent: firm.into() };
    service.administration().get_head(head).await.unwrap().into_inner().position
}

async fn account_of(service: &Service, case: &str) -> String {
    let get = v1::GetCaseRequest { name: case.into(), ..v1::GetCaseRequest::default() };
    service.cases().get_case(get).await.unwrap().into_inner().case.unwrap().account
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_of_three_suggest_a_link_whoever_is_told_of_first() {
    let service = Service::start().await;
    let first_day = date(2026, 1, 5);
    let second_day = date(2026, 1, 8);
    for (other, matches) in two_of_three() {
        // Whoever enrolled first pays, also when the other was told of first.
        for told_first in ["payer", "other"] {
            let firm = service.firm().await;
            let (payer, member) = (new_case(&firm), new_case(&firm));
            let mut people = [(&payer, ADA, first_day), (&member, other, second_day)];
            if told_first == "other" {
                people.reverse();
            }
            for (case, who, on) in people {
                service.record(case, vec![enrolled(who, on)]).await;
            }
            let position = head(&service, &firm).await;
            let links = suggested(&service, &firm, position).await;
            assert_eq!(links.len(), 1, "{matches:?}, {told_first} first");
            let link = &links[0];
            assert_eq!((&link.first_case, &link.second_case), (&payer, &member), "{matches:?}");
            assert_eq!(link.matches().collect::<Vec<_>>(), matches);
            assert_eq!(link.suggested_on, date(2026, 3, 2));
            // Only suggested: they pay apart until a person has said so.
            assert_ne!(account_of(&service, &payer).await, account_of(&service, &member).await);
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_of_three_or_a_single_plan_suggests_nothing() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let stranger = Who { street: "7 Birch Hill", card: "tok_own", ..ADA };
    let mut single = enrolled(ADA, date(2026, 1, 5));
    if let Some(v1::action::Action::Enrol(enrol)) = &mut single.action {
        enrol.seat = v1::Seat::Individual.into();
    }
    for person in [enrolled(ADA, date(2026, 1, 5)), enrolled(stranger, date(2026, 1, 5)), single] {
        service.record(&new_case(&firm), vec![person]).await;
    }
    let position = head(&service, &firm).await;
    assert_eq!(suggested(&service, &firm, position).await, []);
}

/// Two who share telephone and address, the suggestion there.
async fn pair(service: &Service) -> (String, [String; 2]) {
    let firm = service.firm().await;
    let cases = [new_case(&firm), new_case(&firm)];
    for (case, card) in cases.iter().zip(["tok_ada", "tok_own"]) {
        let who = Who { card, ..ADA };
        service.record(case, vec![enrolled(who, date(2026, 1, 5))]).await;
    }
    let position = head(service, &firm).await;
    assert_eq!(suggested(service, &firm, position).await.len(), 1);
    (firm, cases)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whoever_lists_suggested_links_is_on_record_at_both() {
    let service = Service::start().await;
    let (firm, cases) = pair(&service).await;
    let made = service.create_token(&firm, &[v1::Scope::Record], None).await;
    let wire = service.wire(Some(&made.secret)).await;
    let mut accounts = v1::accounts_client::AccountsClient::new(wire);
    let list = v1::ListSuggestedLinksRequest {
        parent: firm.clone(),
        at_least_position: head(&service, &firm).await,
        ..v1::ListSuggestedLinksRequest::default()
    };
    let listed = accounts.list_suggested_links(list).await.unwrap().into_inner();
    assert_eq!(listed.suggested_links.len(), 1);
    let by = made.token.unwrap().token_id;
    for case in &cases {
        let read = v1::ReadEventsRequest {
            parent: firm.clone(),
            stream: Some(format!("looks/{}", case.rsplit('/').next().unwrap())),
            page_size: 100,
            ..v1::ReadEventsRequest::default()
        };
        let looks = service.cases().read_events(read).await.unwrap().into_inner().events;
        let of =
            |look: &&v1::Event| look.access == by && look.canonical_json.contains("SuggestedLinks");
        assert_eq!(looks.iter().filter(of).count(), 1, "{looks:?}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_refused_pair_stays_away_even_when_all_three_match() {
    let service = Service::start().await;
    let (firm, [first_case, second_case]) = pair(&service).await;
    let refuse = v1::RefuseLinkRequest {
        parent: firm.clone(),
        request_id: id(),
        first_case: first_case.clone(),
        second_case: second_case.clone(),
    };
    let refused = service.accounts().refuse_link(refuse.clone()).await.unwrap().into_inner();
    let position = refused.receipt.unwrap().position;
    assert_eq!(suggested(&service, &firm, position).await, []);
    // The other now pays with the same card: by the rule alone the two would be linked.
    let get = v1::GetAccountRequest {
        name: account_of(&service, &second_case).await,
        ..v1::GetAccountRequest::default()
    };
    let account = service.accounts().get_account(get).await.unwrap().into_inner().account.unwrap();
    let card =
        Some(v1::Card { token: "tok_ada".into(), last4: "4242".into(), expires: "2029-12".into() });
    let change = v1::ChangeCardRequest {
        name: account.name,
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        card,
    };
    service.accounts().change_card(change).await.unwrap();
    let position = head(&service, &firm).await;
    assert_eq!(suggested(&service, &firm, position).await, []);
    assert_ne!(account_of(&service, &first_case).await, account_of(&service, &second_case).await);
    // Nor can it be refused twice under a new request.
    let again = v1::RefuseLinkRequest { request_id: id(), ..refuse };
    let status = service.accounts().refuse_link(again).await.unwrap_err();
    assert_eq!(
        (status.code(), reason(&status).as_str()),
        (Code::FailedPrecondition, "STATE_REFUSES")
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_confirmed_pair_has_one_account_until_it_is_unlinked() {
    let service = Service::start().await;
    let (firm, [first_case, second_case]) = pair(&service).await;
    // Named the other way round: who enrolled first pays all the same.
    let confirm = v1::ConfirmLinkRequest {
        parent: firm.clone(),
        request_id: id(),
        first_case: second_case.clone(),
        second_case: first_case.clone(),
    };
    let position = service.accounts().confirm_link(confirm).await.unwrap().into_inner().receipt;
    let position = position.unwrap().position;
    assert_eq!(suggested(&service, &firm, position).await, []);
    let shared = account_of(&service, &first_case).await;
    assert_eq!(account_of(&service, &second_case).await, shared);
    let get = v1::GetAccountRequest { name: shared, at_least_position: position };
    let account = service.accounts().get_account(get).await.unwrap().into_inner().account.unwrap();
    assert_eq!(account.linked_by(), v1::LinkedBy::Person);
    assert_eq!((&account.owner, &account.member), (&first_case, &second_case));
    let unlink = v1::UnlinkRequest {
        parent: firm.clone(),
        request_id: id(),
        first_case: first_case.clone(),
        second_case: second_case.clone(),
    };
    service.accounts().unlink(unlink).await.unwrap();
    assert_ne!(account_of(&service, &first_case).await, account_of(&service, &second_case).await);
}

/// Records without the handlers, as a process that stopped before it could compare.
async fn record_uncompared(service: &Service, case: &str, actions: Vec<v1::Action>) {
    let message = record(case, actions);
    let asked = api::requests::record(&message, Some(Currency::USD)).unwrap();
    let submission = Submission {
        request_id: asked.request_id,
        fingerprint: api::fingerprint(&message),
        author: domain::event::Author::without_token(
            domain::value::Text::parse("a process that stopped").unwrap(),
        ),
        command: asked.command,
    };
    let answer = service.ledger.engine().submit(asked.firm, submission).await.unwrap();
    service.ledger.engine().wait_applied(asked.firm, answer.position, PATIENCE).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_sweep_of_the_next_process_finds_couples_that_were_missed() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let [missed, other] = [new_case(&firm), new_case(&firm)];
    let (three, four) = (new_case(&firm), new_case(&firm));
    let all_three = Who { phone: "+12015550155", street: "3 Cedar Court", card: "tok_cedar" };
    for (case, who) in [
        (&missed, ADA),
        (&other, Who { card: "tok_own", ..ADA }),
        (&three, all_three),
        (&four, all_three),
    ] {
        record_uncompared(&service, case, vec![enrolled(who, date(2026, 1, 5))]).await;
    }
    let position = head(&service, &firm).await;
    assert_eq!(suggested(&service, &firm, position).await, [], "nobody has compared them yet");

    let next = service.beside(Limits::default()).await;
    let follow = v1::FollowRequest {
        parent: firm.clone(),
        after_position: position,
        types: vec!["link_suggested".into(), "member_linked".into()],
        ..v1::FollowRequest::default()
    };
    let mut stream = service.cases().follow(follow).await.unwrap().into_inner();
    next.serve(&ServerConfig::loopback(0)).await.unwrap();
    let found = async {
        let mut found = Vec::new();
        while found.len() < 2 {
            let message = stream.message().await.unwrap().unwrap().message.unwrap();
            if let v1::follow_response::Message::Event(event) = message {
                found.push((event.r#type, event.position));
            }
        }
        found
    };
    let mut found = tokio::time::timeout(PATIENCE, found).await.expect("the sweep finds them");
    found.sort();
    let kinds: Vec<&str> = found.iter().map(|(kind, _)| kind.as_str()).collect();
    assert_eq!(kinds, ["link_suggested", "member_linked"]);
    let last = head(&service, &firm).await;
    let links = suggested(&service, &firm, last).await;
    assert_eq!(links.len(), 1);
    assert_eq!((&links[0].first_case, &links[0].second_case), (&missed, &other));
    assert_eq!(account_of(&service, &three).await, account_of(&service, &four).await);
    assert!(next.shutdown().await);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_fee_of_a_member_is_claimed_on_the_account_that_pays() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let (payer, member) = (new_case(&firm), new_case(&firm));
    for case in [&payer, &member] {
        let month = common::first_month(v1::Seat::Couple, ADA.phone, ADA.card);
        service.record(case, month).await;
    }
    let own = member.replace("/cases/", "/accounts/");
    let shared = payer.replace("/cases/", "/accounts/");
    assert_eq!(account_of(&service, &member).await, shared, "the rule has linked them");
    let claim = v1::ClaimFeeRequest {
        name: member.clone(),
        request_id: id(),
        period: 1,
        as_of: date(2026, 3, 2),
    };
    let claimed = service.billing().claim_fee(claim.clone()).await.unwrap().into_inner();
    let receipt = claimed.receipt.unwrap();
    assert_eq!(claimed.invoice, format!("{firm}/invoices/1"));
    let get = v1::GetInvoiceRequest {
        name: claimed.invoice.clone(),
        at_least_position: receipt.position,
    };
    let invoice = service.accounts().get_invoice(get).await.unwrap().into_inner().invoice.unwrap();
    assert_eq!(invoice.account, shared);
    assert_eq!((invoice.lines.len(), &invoice.lines[0].case), (1, &member));
    // Half of the couple's 149.00.
    let half = usd(74).map(|money| api::google::r#type::Money { nanos: 500_000_000, ..money });
    assert_eq!(invoice.total, half);
    let again = service.billing().claim_fee(claim.clone()).await.unwrap().into_inner();
    assert_eq!((again.invoice, again.receipt.unwrap().replayed), (claimed.invoice.clone(), true));
    let anew = v1::ClaimFeeRequest { request_id: id(), ..claim };
    let status = service.billing().claim_fee(anew).await.unwrap_err();
    assert_eq!(reason(&status), "GATES_CLOSED");
    let explain = v1::ExplainFeeRequest {
        name: member.clone(),
        period: 1,
        at_least_position: receipt.position,
        ..v1::ExplainFeeRequest::default()
    };
    let explained =
        service.billing().explain_fee(explain).await.unwrap().into_inner().explanation.unwrap();
    assert_eq!((explained.invoice, explained.claimable), (claimed.invoice, false));
    // The run that follows asks for the other half alone, on the same account.
    let run =
        v1::RunBillingRequest { parent: firm.clone(), request_id: id(), as_of: date(2026, 3, 2) };
    let ran = service.billing().run_billing(run).await.unwrap().into_inner();
    assert_eq!(ran.invoices.len(), 1);
    assert_eq!(ran.invoices[0].account, shared);
    assert_eq!(ran.invoices[0].total, half);
    let position = head(&service, &firm).await;
    let list = v1::ListInvoicesRequest {
        parent: firm,
        at_least_position: position,
        ..v1::ListInvoicesRequest::default()
    };
    let invoices = service.accounts().list_invoices(list).await.unwrap().into_inner().invoices;
    let lines = invoices.iter().flat_map(|invoice| &invoice.lines).map(|line| &line.case);
    assert_eq!(lines.collect::<Vec<_>>(), [&member, &payer]);
    assert!(invoices.iter().all(|invoice| invoice.account != own), "nothing is on the other's own");
}
