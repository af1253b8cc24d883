//! The packs of states that come with the software: whole, sourced, and asked every worked value.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use std::collections::{BTreeMap, BTreeSet};

use calendar::CivilDate;
use common::states::*;
use common::*;
use counterfoil_domain::codec;
use counterfoil_domain::event::*;
use counterfoil_domain::firm::{Place, Prepared};
use counterfoil_domain::ids::*;
use counterfoil_domain::money::Money;
use counterfoil_domain::rules::*;
use counterfoil_domain::terms::{FullyPerformed, Seat, Terms};
use proptest::prelude::*;

fn federal() -> RulePack {
    RulePack::from_json(EXAMPLE_PACKS[0]).unwrap()
}

#[test]
fn every_state_has_one_pack_that_can_be_adopted_and_nobody_confirmed() {
    let mut states = BTreeSet::new();
    for pack in packs() {
        assert_eq!(check_pack(&pack), None, "{}", pack.code);
        assert!(!pack.confirmed_by_counsel, "{}", pack.code);
        assert!(pack.note.as_str().contains("not legal advice"), "{}", pack.code);
        assert!(states.insert(pack.state.unwrap()), "{}", pack.code);
        assert_eq!(codec::from_bytes::<RulePack>(&codec::to_bytes(&pack)).unwrap(), pack);
    }
    assert_eq!(states.len(), 51, "the states and the District of Columbia");
}

#[test]
fn every_dimension_of_a_pack_names_source_and_edition_and_every_rule_its_statute() {
    for pack in packs() {
        assert!(pack.text_read_on.is_some(), "{}", pack.code);
        for dimension in Dimension::ALL.iter().filter(|dimension| pack.is_read(**dimension)) {
            let (source, edition) = pack.read_in(*dimension).unwrap();
            assert!(!source.as_str().is_empty() && !edition.as_str().is_empty(), "{}", pack.code);
        }
        assert!(pack.rules().iter().all(|rule| !rule.cites.as_str().is_empty()), "{}", pack.code);
        assert!(pack.questions.is_some_and(|asked| !asked.is_empty()), "{}", pack.code);
    }
    let mut unsourced = of("NC");
    unsourced.sources.as_mut().unwrap()[0].dimensions.remove(&Dimension::Security);
    let refused = check_pack(&unsourced).unwrap();
    assert_eq!(refused, "sources must say where security was read");
    let mut too_much = of("GA");
    too_much.sources.as_mut().unwrap()[0].dimensions.insert(Dimension::Security);
    assert_eq!(check_pack(&too_much).unwrap(), "sources name security, which read does not");
}

#[test]
fn a_pack_says_nothing_that_cannot_be_asked() {
    let ca = of("CA");
    let mut nothing = ca.clone();
    nothing.security.as_mut().unwrap()[0].amount.least = usd(0);
    let mut office = ca.clone();
    office.security.as_mut().unwrap()[0].kinds = [StandingKind::Office].into();
    let mut plan = ca.clone();
    plan.early_fee.as_mut().unwrap().rule = EarlyFeeRule::Plan;
    let mut year = of("MS");
    year.registration.as_mut().unwrap().ends_on = Some(YearDay { day: 31, month: 13 });
    let mut unsecured = of("TX");
    unsecured.security = None;
    for (pack, why) in [
        (nothing, "security[0].amount.least must be above zero"),
        (office, "security[0].kinds must name kinds of security"),
        (plan, "early_fee.plan_months belongs to the rule plan"),
        (year, "registration.ends_on must be a day of a year"),
        (unsecured, "early_fee is with_security, and no security is stated"),
    ] {
        assert_eq!(check_pack(&pack).as_deref(), Some(why));
    }
}

fn terms(periods: u32) -> Terms {
    let mut terms = plan().terms(Seat::Individual).unwrap();
    terms.periods = periods;
    terms
}

/// The rules that stand against an agreement.
fn against(
    desk: &Desk,
    place: Place<'_>,
    terms: &Terms,
    items: &BTreeSet<ContractItem>,
) -> BTreeSet<String> {
    let languages = english();
    let prepared = Prepared { place, terms, items, languages: Some(&languages) };
    let found = desk.firm_state().objections(prepared, day("2026-03-02"));
    found.into_iter().map(|violation| violation.rule).collect()
}

fn against_one(state: &str, items: &[ContractItem]) -> BTreeSet<String> {
    let desk = firm_of(&[state]);
    against(&desk, code(state).into(), &terms(1), &items.iter().copied().collect())
}

struct Row {
    rule: String,
    state: String,
    input: BTreeMap<String, String>,
    expected: String,
}

impl Row {
    fn day(&self, name: &str) -> CivilDate {
        day(&self.input[name])
    }
    fn is(&self, name: &str) -> bool {
        self.input.get(name).is_some_and(|value| value == "yes")
    }
    fn dollars(&self, name: &str) -> Money {
        usd(self.input[name].parse::<i64>().unwrap() * 100)
    }
}

fn rows() -> Vec<Row> {
    let csv = include_str!("../../../tests/data/states/values.csv");
    let rows = csv.lines().skip(1).map(|line| {
        // A citation may be quoted; the other columns never are.
        let (state, rest) = line.split_once(',').unwrap();
        let (rule, rest) = rest.split_once(',').unwrap();
        let rest = match rest.strip_prefix('"') {
            Some(quoted) => quoted.split_once("\",").unwrap().1,
            None => rest.split_once(',').unwrap().1,
        };
        let (input, expected) = rest.rsplit_once(',').unwrap();
        let input = input.split(';').map(|pair| pair.split_once('=').unwrap_or((pair, "")));
        Row {
            rule: rule.into(),
            state: state.into(),
            input: input.map(|(name, value)| (name.into(), value.into())).collect(),
            expected: expected.into(),
        }
    });
    rows.collect()
}

const NO: fn(ContractItem) -> bool = |_| false;

fn whole_dollars(amount: Money) -> String {
    (amount.minor() / 100).to_string()
}

fn either(holds: bool, yes: &str, no: &str) -> String {
    if holds { yes.into() } else { no.into() }
}

fn kept(pack: &RulePack, what: &[KeepWhat], from: CivilDate) -> String {
    let rules = pack.keep.iter().flatten();
    rules
        .filter(|keep| what.contains(&keep.what))
        .map(|k| k.through(from))
        .max()
        .unwrap()
        .to_string()
}

fn enough(pack: &RulePack, bond: Money) -> String {
    let security = &pack.security.as_ref().unwrap()[0];
    either(security.amount.of_base(usd(0)).minor() <= bond.minor(), "yes", "no")
}

fn within_cap(pack: &RulePack, kind: FeeKind, fee: Money) -> String {
    let caps = pack.fee_caps.as_ref().unwrap();
    let cap = caps.iter().find(|cap| cap.of == kind).unwrap();
    either(fee.minor() <= cap.most.minor(), "allow", "refuse")
}

fn answer(row: &Row) -> String {
    let pack = of(&row.state);
    let merged = || Rules::merge(&federal(), [&pack], row.day("signed_on")).unwrap();
    let asked = |rule: &str, items: &[ContractItem]| {
        either(against_one(&row.state, items).contains(rule), "refuse_signing", "allow")
    };
    match row.rule.as_str() {
        "cancel_last_day_state_alone" => {
            pack.cancellation.as_ref().unwrap().window(row.day("signed_on")).0.to_string()
        }
        "cancel_last_day_merged_with_federal" => {
            merged().cancellation_window(row.day("signed_on")).0.to_string()
        }
        "first_day_of_service_if_bar_follows_cancel_days" => {
            merged().cancellation_window(row.day("signed_on")).1.to_string()
        }
        "cancel_any_time_required_for_ongoing_contract" => {
            let limit = pack.performed_within(NO);
            format!("{}_day_limit_applies", limit.unwrap().days)
        }
        "perform_by" => {
            let limit = pack.performed_within(|_| row.is("ongoing_contract"));
            limit.map_or("no_limit".into(), |rule| rule.last_day(row.day("signed_on")).to_string())
        }
        "cancel_any_time_required_for_periodic_fee" | "monthly_fee_state_reading" => {
            let whole = pack.reading(NO, 6).unwrap().reading == FullyPerformed::WholeContract;
            let holds = !whole || row.is("all_agreed_services_done");
            either(holds, "state_rule_holds", "refuse_fee")
        }
        "refund_by" => {
            let received = row.day("cancellation_notice_received_on");
            pack.refund_within.unwrap().last_day(received).to_string()
        }
        "estimated_time_cap" => {
            let days = row.input.get("estimated_days").map(|days| days.parse().unwrap());
            let days =
                days.unwrap_or_else(|| row.input["estimated_years"].parse::<u32>().unwrap() * 365);
            either(pack.estimate_cap.unwrap().allows(days), "allow", "refuse_signing")
        }
        "installment_plan_cap" => {
            let months = row.input["plan_months"].parse().unwrap();
            let reading = pack.reading(NO, months).unwrap().reading;
            either(reading == FullyPerformed::EachPeriod, "allow", "refuse_fee")
        }
        "bond_sufficient" => enough(&pack, row.dollars("bond_usd")),
        "bond_required" => {
            let paid_early = row.is("fees_before_all_services_done");
            let amount =
                pack.security.iter().flatten().map(|s| whole_dollars(s.amount.least)).next();
            let yes = amount.map_or("yes".into(), |amount| format!("yes_{amount}"));
            either(pack.asks_security(paid_early), &yes, "no")
        }
        "bond_and_trust_account_required" => {
            let security = &pack.security.as_ref().unwrap()[0];
            either(security.is_served_by(&[StandingKind::Bond].into()), "yes", "no")
        }
        "bond_amount" | "bond_amount_at_renewal" => {
            let (_, base) = row.input.iter().next().unwrap();
            let base = usd(base.parse::<i64>().unwrap() * 100);
            whole_dollars(pack.security.as_ref().unwrap()[0].amount.of_base(base))
        }
        "bond_kept_through" => {
            let ended = row.input.values().find(|value| value.len() == 10).unwrap();
            pack.security.as_ref().unwrap()[0].kept_through(day(ended)).to_string()
        }
        "bond_adjusted_by" => {
            let starts = row.day("fiscal_year_starts");
            pack.security.as_ref().unwrap()[0].adjusted_by(starts).unwrap().to_string()
        }
        "statement_kept_through" => {
            let ended = row.input.get("service_ended_on").or(row.input.get("acknowledged_on"));
            kept(&pack, &[KeepWhat::Statement], day(ended.unwrap()))
        }
        "private_action_until" => kept(&pack, &[KeepWhat::Suit], row.day("agreement_signed_on")),
        "records_kept_through" => {
            kept(&pack, &[KeepWhat::Records], row.day("final_transaction_on"))
        }
        "agreement_records_kept_through" => {
            kept(&pack, &[KeepWhat::Records], row.day("agreement_completed_or_cancelled_on"))
        }
        "sign_agreement" => asked("prohibited", &[]),
        "firm_operates_in_state" => {
            let mut desk = firm_of(&["GA", "ND"]);
            file(&mut desk, StandingKind::Office, "GA", None);
            let found = against(&desk, code("ND").into(), &terms(1), &[].into());
            either(found.contains("prohibited"), "refuse_signing_counsel", "allow")
        }
        "state_rules_apply" => {
            let desk = firm_of(&["VA", &row.state]);
            let activity = BTreeSet::from([code(&row.state)]);
            let place = Place::of(code(&row.input["client_state"]), Some(&activity));
            let reaching = desk.firm_state().reaching(place, day("2026-03-02"));
            let reaches = reaching
                .iter()
                .any(|(state, adopted)| *state == code(&row.state) && adopted.is_some());
            either(reaches, "yes", "no")
        }
        "registration_valid_through" | "licence_valid_through" => {
            pack.registration.unwrap().valid_through(row.day("issued_on")).unwrap().to_string()
        }
        "change_reported_by" => {
            pack.registration.unwrap().told_by(row.day("changed_on")).unwrap().to_string()
        }
        "registration_term" => {
            either(pack.registration.unwrap().term_years == Some(1), "yearly", "other")
        }
        "change_needs_approval" => {
            let days = pack.registration.unwrap().approval_days.map(|days| days.to_string());
            either(days.as_ref() == row.input.get("advance_days"), "approval_first", "told_after")
        }
        "registration_before" if row.input.contains_key("act") => {
            let advertise = pack.registration.unwrap().is_before(Barred::Advertise);
            either(advertise, "refuse_publication", "allow")
        }
        "registration_before" => {
            // Before its last day: afterwards nobody knows what the law is.
            asked("registration", &[])
        }
        "monthly_fee_cap" if row.input.contains_key("creditors_in_agreement") => {
            let creditors = row.input["creditors_in_agreement"].parse().unwrap();
            let caps = pack.fee_caps.unwrap();
            let cap = caps.iter().find(|cap| cap.of == FeeKind::Monthly).unwrap();
            whole_dollars(cap.most_for(Some(creditors)))
        }
        "monthly_fee_cap" => {
            let free = ContractItem::FreeFirstSession;
            let lacks_it = pack.items_asked().iter().any(|(_, items)| items.contains(&free));
            let is_held = row.is("free_first_counselling_done") || !lacks_it;
            let within = within_cap(&pack, FeeKind::Monthly, row.dollars("monthly_fee_usd"));
            either(is_held && within == "allow", "allow", "refuse")
        }
        "consultation_fee_cap" | "setup_fee_cap" => {
            within_cap(&pack, FeeKind::OneTime, row.dollars("one_time_fee_usd"))
        }
        "credit_report_fee_cap" => {
            let joint = row.is("joint_report");
            let kind = if joint { FeeKind::ReportJoint } else { FeeKind::ReportSingle };
            within_cap(&pack, kind, row.dollars("fee_usd"))
        }
        "dispute_needs_item_statement"
        | "dispute_needs_authorization"
        | "dispute_needs_knowledge"
        | "portal_needs_authorization" => {
            let said = [
                ("client_told_of_dispute", ClientSaid::Knows),
                ("written_authorization_in_contract", ClientSaid::Authorized),
                ("written_authorization", ClientSaid::Authorized),
                ("client_written_basis_for_item", ClientSaid::Basis),
                ("factual_basis", ClientSaid::Basis),
                ("client_written_statement_for_item", ClientSaid::Statement),
            ];
            let told = said.iter().filter(|(name, _)| row.is(name));
            let told: Vec<ClientSaid> = told.map(|(_, said)| *said).collect();
            let refused = if row.rule.starts_with("portal") {
                "refuse_dispute"
            } else {
                "refuse_dispute_letter"
            };
            either(pack.dispute_consent.unwrap().is_met_by(&told), "allow", refused)
        }
        "dispute_after_removal" => {
            let last = pack.dispute_consent.unwrap().last_day(row.day("removed_from_report_on"));
            either(row.day("sent_on") <= last.unwrap(), "allow", "refuse_dispute_letter")
        }
        "identifier_in_letter" => {
            let cut = pack.dispute_consent.unwrap().identifiers_cut == Some(true);
            let full = row.input.get("ssn_shown").is_some_and(|shown| shown == "full");
            let needed = row.is("needed_or_required_by_law");
            either(!cut || !full || needed, "allow", "refuse_letter")
        }
        "monthly_statement_contents" => {
            let told = [
                ("services", StatementContent::Services),
                ("accounting_of_held_money", StatementContent::Money),
                ("letter_copies", StatementContent::Letters),
            ];
            let told =
                told.iter().filter(|(name, _)| row.is(name)).map(|(_, what)| *what).collect();
            let complete = pack.monthly_statement.unwrap().is_complete(&told, true);
            either(complete, "complete", "incomplete")
        }
        "damages_minimum" | "damages_minimum_wilful" => {
            let wilful = row.rule.ends_with("wilful");
            let (actual, paid) = (row.dollars("actual_usd"), row.dollars("paid_usd"));
            whole_dollars(pack.remedy.unwrap().least(actual, paid, wilful))
        }
        "contract_contents" => asked("contract_items", &[ContractItem::ItemsListed]),
        "act_in_force" => either(pack.is_in_force(row.day("on")), "in_force", "ask_counsel"),
        other => panic!("nobody answers {other}"),
    }
}

#[test]
fn every_worked_value_follows_from_the_packs() {
    let rows = rows();
    assert_eq!(rows.len(), 261);
    for row in &rows {
        assert_eq!(answer(row), row.expected, "{} {} {:?}", row.state, row.rule, row.input);
    }
}

/// Packs, each of which asks something of an agreement that another state's law reaches too.
fn some_packs() -> impl Strategy<Value = Vec<RulePack>> {
    let all: Vec<RulePack> = packs().filter(|pack| !pack.adds_nothing()).collect();
    proptest::sample::subsequence(all, 1..6)
}

proptest! {
    /// Neither the order of packs nor a pack twice changes what they come to; another pack never lets service begin
    /// sooner, ends the right to cancel sooner, or reads "fully performed" less strictly.
    #[test]
    fn packs_merge_in_any_order_and_another_never_asks_less(
        packs in some_packs(), more in some_packs(), days in 0u64..400
    ) {
        let federal = federal();
        let on = day("2026-01-01") + chrono::Days::new(days);
        let rules = |packs: &[RulePack]| Rules::merge(&federal, packs, on).unwrap();
        let one = rules(&packs);
        let backwards: Vec<RulePack> = packs.iter().rev().cloned().collect();
        let twice: Vec<RulePack> = packs.iter().chain(&packs).cloned().collect();
        for other in [rules(&backwards), rules(&twice)] {
            prop_assert_eq!(one.cancellation_window(on), other.cancellation_window(on));
            prop_assert_eq!(one.performance.reading, other.performance.reading);
            prop_assert_eq!(&one.telemarketing.exempt, &other.telemarketing.exempt);
            let days = |rules: &Rules| rules.perform_within.as_ref().map(|rule| rule.days);
            prop_assert_eq!(days(&one), days(&other));
        }
        let all: Vec<RulePack> = packs.iter().chain(&more).cloned().collect();
        let both = rules(&all);
        let (through, from) = one.cancellation_window(on);
        let (later, first) = both.cancellation_window(on);
        prop_assert!(through <= later && from <= first);
        prop_assert!(both.telemarketing.exempt.is_subset(&one.telemarketing.exempt));
        let days = |rules: &Rules| rules.perform_within.as_ref().map(|rule| rule.days);
        prop_assert!(days(&one).is_none_or(|most| days(&both).is_some_and(|days| days <= most)));
        let whole = FullyPerformed::WholeContract;
        prop_assert!(one.performance.reading != whole || both.performance.reading == whole);
        for asked in [
            (one.prohibited.is_some(), both.prohibited.is_some()),
            (one.registration.is_some(), both.registration.is_some()),
            (one.bond.is_some(), both.bond.is_some()),
            (one.monthly_statement.is_some(), both.monthly_statement.is_some()),
        ] {
            prop_assert!(asked.0 <= asked.1);
        }
    }
}

/// Whatever else reaches an agreement stands beside what stood against it: each pack asks for itself.
#[test]
fn another_state_that_reaches_an_agreement_takes_no_objection_away() {
    let states = ["NC", "MD", "GA", "VA", "CA", "WA", "ND"];
    let mut desk = firm_of(&states);
    desk.today("2026-03-02");
    let all: BTreeSet<StateCode> = states.iter().map(|state| code(state)).collect();
    let items: BTreeSet<ContractItem> = [ContractItem::ItemsListed, ContractItem::Results].into();
    for home in states {
        let alone = Place::of(code(home), None);
        let found = |place| {
            let (terms, languages) = (terms(6), english());
            let languages = Some(&languages);
            let prepared = Prepared { place, terms: &terms, items: &items, languages };
            desk.firm_state().objections(prepared, day("2026-03-02"))
        };
        let known = found(alone);
        let more = found(Place::of(code(home), Some(&all)));
        assert!(known.iter().all(|against| more.contains(against)), "{home}");
        assert!(more.iter().any(|against| against.subject == "NC"), "{home}: {more:?}");
        assert_eq!(more.iter().any(|a| a.subject == "GA"), home == "GA", "no place is in Georgia");
    }
}

/// The rule of consent to disputes of each of these packs, by its own citation: papers that lack the authorization bar every
/// letter, so that whoever prepares them is told.
#[test]
fn papers_without_the_authorization_to_dispute_are_named_before_they_are_signed() {
    let asked = "dispute_consent".to_owned();
    for state in ["CA", "WA"] {
        assert!(against_one(state, &[]).contains(&asked), "{state}");
        let held = against_one(state, &[ContractItem::DisputeAuthorization]);
        assert!(!held.contains(&asked), "{state}: {held:?}");
    }
    assert!(!against_one("CO", &[]).contains(&asked), "a basis for each entry is enough there");
}
