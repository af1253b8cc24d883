//! A state's law that asks for more never opens a gate and never helps a fee, whatever was told of its clients.

use calendar::{BusinessCalendar, CivilDate};
use counterfoil_tests::judgement::today;
use counterfoil_tests::player::Player;
use domain::firm::{AdoptedPack, Firm};
use domain::gates::{Answer, FeeStanding, Gate};
use domain::ids::{CaseId, PackCode, StateCode};
use domain::judge::{Judge, Matter};
use domain::money::{Currency, Money};
use domain::rules::{
    BondWhen, Cancellation, ConsentRule, ContractItem, ContractItems, DaysAfter, Dimension,
    DisputeConsent, Duty, EarlyFee, EarlyFeeRule, FeeCap, FeeKind, Limb, PerformWithin, Reach,
    Registration, RulePack, Security, SecurityAmount, StandingKind, StatementDuty,
};
use domain::value::Text;
use rand::rngs::StdRng;
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};

/// How many other laws each history is judged by.
const LAWS: usize = 8;

/// What is answered of a case.
struct Answers {
    /// The day of each period's agreement, by the period: longer days to cancel may undo one, and let another govern.
    governed: Vec<(CivilDate, Option<CivilDate>)>,
    gates: Vec<(u32, Gate, Answer)>,
    fees: Vec<FeeStanding>,
}

fn answers(player: &Player, firm: &Firm, id: CaseId, today: CivilDate) -> Answers {
    let accounts = player.world.payers(id).unwrap();
    let case = player.world.case(id).unwrap();
    let judge = Judge::of(Matter { id, case, accounts: &accounts, firm, today });
    let of_period = |number| {
        let explained = judge.explain(number, today).unwrap();
        explained.findings.into_iter().map(move |found| (number, found.gate, found.answer))
    };
    let gates = judge.periods().flat_map(|period| of_period(period.number)).collect();
    let governing = |number| judge.agreement(number).map(|agreement| agreement.signed.on());
    let governed = judge.periods().map(|period| (period.start, governing(period.number)));
    Answers {
        governed: governed.collect(),
        gates,
        fees: judge.fees().map(|judged| judged.standing).collect(),
    }
}

/// One pack of a state that asks for one thing more.
fn stricter(rng: &mut StdRng, pack: &mut RulePack) {
    let cites = Text::parse("an invented statute").unwrap();
    let usd = |minor| Money::new(minor, Currency::USD).unwrap();
    if pack.nothing_is_added.take().is_some() {
        pack.read = Some(Dimension::ALL.iter().copied().collect());
    }
    match rng.random_range(0..14) {
        0 => pack.prohibited = Some(Duty { cites }),
        1 => {
            pack.registration = Some(Registration {
                approval_days: None,
                bars: None,
                cites,
                ends_on: None,
                kind: None,
                term_years: None,
                update_days: None,
                with: None,
            });
        }
        2 => pack.security.get_or_insert_default().push(Security {
            adjusted_by_day: None,
            all_of: None,
            amount: SecurityAmount {
                least: usd(900_000_000),
                most: None,
                of: None,
                per_cent: None,
                step: None,
            },
            cites,
            filed_with: None,
            kinds: [StandingKind::Bond].into(),
            per_location: None,
            tail_years: None,
            when: BondWhen::Always,
        }),
        3 => {
            let most = pack.perform_within.as_ref().map_or(200, |rule| rule.days);
            let days = rng.random_range(0..=most);
            pack.perform_within = Some(PerformWithin { cites, days, unless_ongoing: None });
        }
        4 => {
            let most = pack.estimate_cap.as_ref().map_or(400, |rule| rule.days);
            let days = rng.random_range(0..=most);
            pack.estimate_cap = Some(DaysAfter { calendar: None, cites, days });
        }
        5 => pack.fee_caps.get_or_insert_default().push(FeeCap {
            cites,
            most: usd(rng.random_range(0..20_000)),
            of: FeeKind::Monthly,
            per_creditor: rng.random_bool(0.5).then(|| usd(500)),
        }),
        6 => {
            let (contents, within_days) = (None, None);
            pack.monthly_statement = Some(StatementDuty { cites, contents, within_days });
        }
        7 => {
            let known = pack.contract_items.take().map(|rule| rule.items).unwrap_or_default();
            let more = ContractItem::ALL.choose(rng).copied();
            let items = known.into_iter().chain(more).collect();
            pack.contract_items = Some(ContractItems { cites, items });
        }
        8 => {
            let (plan_months, rule) = (None, EarlyFeeRule::Ban);
            pack.early_fee = Some(EarlyFee { cites, plan_months, rule });
        }
        9 => {
            let known = pack.cancellation.as_ref().map_or(0, |rule| rule.days);
            pack.cancellation = Some(Cancellation {
                anchor: None,
                calendar: BusinessCalendar::FederalOffice,
                cites,
                closed_days: None,
                days: known.max(3) + rng.random_range(0..10),
                form: None,
            });
        }
        10 => pack.reach = Some(Reach { cites, limbs: Limb::ALL.iter().copied().collect() }),
        11 => pack.exempt = None,
        12 => {
            pack.dispute_consent = Some(DisputeConsent {
                after_removal_days: None,
                cites,
                identifiers_cut: None,
                rule: ConsentRule::ItemBasisAndStatement,
            });
        }
        _ => {
            let read = pack.read.get_or_insert_default();
            let unread = Dimension::ALL.choose(rng).unwrap();
            read.remove(unread);
        }
    }
}

/// A pack of a state of which none was adopted, that counsel stands for as for another: it asks for all that the other does.
fn of_a_new_state(rng: &mut StdRng, firm: &Firm, like: usize) -> Option<AdoptedPack> {
    let unknown = ["NV", "MT", "WY"].map(|state| StateCode::parse(state).unwrap());
    let state = *unknown.choose(rng)?;
    let is_known = firm.packs.iter().any(|adopted| adopted.pack.state == Some(state));
    let mut adopted = firm.packs[like].clone();
    adopted.pack.code = PackCode::parse(&format!("us-{}-new", state.as_str())).unwrap();
    adopted.pack.state = Some(state);
    let cites = Text::parse("an invented statute").unwrap();
    adopted.pack.nothing_is_added = None;
    adopted.pack.prohibited = Some(Duty { cites: cites.clone() });
    adopted.pack.reach = Some(Reach { cites, limbs: Limb::ALL.iter().copied().collect() });
    (!is_known).then_some(adopted)
}

/// Whatever one state asks for more, no gate that was closed opens by it, and no claimed fee stands better.
pub(crate) fn a_stricter_law_opens_nothing(player: &Player, seed: u64) {
    let mut rng = StdRng::seed_from_u64(seed);
    let (firm, today) = (player.world.firm().unwrap(), today(player));
    let of_states: Vec<usize> =
        (0..firm.packs.len()).filter(|at| firm.packs[*at].pack.state.is_some()).collect();
    for _ in 0..LAWS {
        let Some(&at) = of_states.choose(&mut rng) else { return };
        let mut other = firm.clone();
        if rng.random_bool(0.2) {
            other.packs.extend(of_a_new_state(&mut rng, firm, at));
        } else {
            stricter(&mut rng, &mut other.packs[at].pack);
        }
        for case in player.cases() {
            let before = answers(player, firm, case, today);
            let after = answers(player, &other, case, today);
            if before.governed != after.governed {
                continue;
            }
            // What a state asks of work is asked of work that counts: where a stricter law leaves none that does, the gate of
            // the work is closed in its stead.
            let is_undone = |period| {
                let undone = (period, Gate::FullyPerformed, Answer::Fails);
                after.gates.iter().any(|of| (of.0, of.1, of.2) == undone)
            };
            for (was, is) in before.gates.iter().zip(&after.gates) {
                let pack = &other.packs[at].pack;
                let opens = is.2 > was.2 && !(is.1 == Gate::State && is_undone(is.0));
                assert!((was.0, was.1) == (is.0, is.1) && !opens, "{was:?} {is:?} {pack:?}");
            }
            assert!(before.fees.iter().zip(&after.fees).all(|(was, is)| was <= is), "{case}");
        }
    }
}
