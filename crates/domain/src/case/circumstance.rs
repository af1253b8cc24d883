//! Circumstances of a client: which hold on a day, and what they let the firm do.

use calendar::{BusinessCalendar, CivilDate};

use super::decide::{Facts, one};
use super::{Case, Moment};
use crate::account::Charged;
use crate::codec::record;
use crate::event::{CaseEvent, Circumstance, CircumstanceChanged, EndedBy, ExposureKind};
use crate::money::Money;
use crate::refusal::{Reason, Refusal};

/// Days before a charge by which the notice of another amount has to be sent (12 CFR 1005.10(d)(1)).
const NOTICE_DAYS: u16 = 10;

record! {
    /// A circumstance that began or ended.
    pub struct CircumstanceTold {
        /// The event.
        moment: Moment,
        /// What it says.
        said: CircumstanceChanged,
    }
}

/// A circumstance as it stands.
#[derive(Clone, Copy, Debug)]
pub struct CircumstanceInForce<'a> {
    /// When it was told first that it is so, without a break since.
    pub since: &'a Moment,
    /// What was said last.
    pub said: &'a CircumstanceChanged,
}

/// What came last, of facts by their days. Of one day the order in which it happened counts; where that is not known,
/// what protects the client.
fn last<'a>(told: &[&'a CircumstanceTold]) -> Option<&'a CircumstanceTold> {
    let day = told.last()?.moment.on();
    let of_day = || told.iter().copied().filter(|told| told.moment.on() == day);
    let is_last = |told: &&CircumstanceTold| {
        !of_day().any(|other| told.moment.is_before(&other.moment) == Some(true))
    };
    let mut last = of_day().filter(is_last);
    let protects = |told: &&CircumstanceTold| told.said.holds == told.said.kind.protects();
    last.clone().find(protects).or_else(|| last.next())
}

impl Case {
    /// What was told of a circumstance, as far as it bears on what came behind some signings: an agreement carries the
    /// authority to write anew, whatever became of it before.
    fn told_of(
        &self,
        kind: Circumstance,
        is_signed: impl Fn(&Moment) -> bool,
    ) -> impl Iterator<Item = &CircumstanceTold> {
        let is_carried = kind == Circumstance::AuthorityRevoked;
        let is_over = move |told: &CircumstanceTold| {
            let mut signed = self.standing_agreements().map(|agreement| &agreement.signed);
            signed.any(|of| is_signed(of) && told.moment.is_before(of) == Some(true))
        };
        let told = self.circumstances.iter().filter(move |told| told.said.kind == kind);
        told.filter(move |told| !(is_carried && is_over(told)))
    }

    /// How a circumstance stands at the end of a day, if anything was told of it.
    pub fn circumstance(
        &self,
        kind: Circumstance,
        on: CivilDate,
    ) -> Option<CircumstanceInForce<'_>> {
        let told = self.told_of(kind, |signed| signed.on() <= on);
        let told: Vec<&CircumstanceTold> = told.take_while(|told| told.moment.on() <= on).collect();
        let last = last(&told)?;
        let says = |told: &CircumstanceTold| {
            let CircumstanceChanged { amount, charge_on, holds, least, .. } = told.said;
            (amount, charge_on, holds, least)
        };
        let broken = told.iter().rposition(|told| says(told) != says(last));
        let since = told[broken.map_or(0, |at| at + 1)..].first().unwrap_or(&last);
        Some(CircumstanceInForce { since: &since.moment, said: &last.said })
    }

    /// The circumstances that hold at the end of a day, and a mandate that was revoked. Notices of charges are told of one
    /// by one: see [`Self::notices`].
    pub fn circumstances_on(&self, on: CivilDate) -> impl Iterator<Item = CircumstanceInForce<'_>> {
        let kinds = Circumstance::ALL.iter().filter(|kind| **kind != Circumstance::ChargeNotice);
        let last = kinds.filter_map(move |kind| self.circumstance(*kind, on));
        last.filter(|told| told.said.holds || told.said.kind == Circumstance::ChargeMandate)
    }

    fn holds(&self, kind: Circumstance, on: CivilDate) -> bool {
        self.circumstance(kind, on).is_some_and(|told| told.said.holds)
    }

    /// Whether the client's authority to write stood when a letter left. Nothing comes back where that hangs on what
    /// came first on its day, and neither times nor a stated order say so.
    pub fn is_authorized(&self, letter: &Moment) -> Option<bool> {
        let is_signed = |signed: &Moment| letter.is_before(signed) != Some(true);
        let (mut before, mut in_doubt) = (Vec::new(), Vec::new());
        for told in self.told_of(Circumstance::AuthorityRevoked, is_signed) {
            match told.moment.is_before(letter) {
                Some(true) => before.push(told),
                Some(false) => {}
                None => in_doubt.push(told),
            }
        }
        let is_revoked = last(&before).is_some_and(|told| told.said.holds);
        let is_known = in_doubt.iter().all(|told| told.said.holds == is_revoked);
        is_known.then_some(!is_revoked)
    }

    /// What was told of the authority to write on the day of a letter: what its doubt is about.
    pub(crate) fn authority_told_on(&self, on: CivilDate) -> Option<&Moment> {
        let told = self.circumstances.iter().filter(|told| {
            told.said.kind == Circumstance::AuthorityRevoked && told.moment.on() == on
        });
        told.map(|told| &told.moment).next()
    }

    /// The revocation of the authority to write that holds at the end of a day.
    pub fn revoked_on(&self, on: CivilDate) -> Option<CircumstanceInForce<'_>> {
        self.circumstance(Circumstance::AuthorityRevoked, on).filter(|told| told.said.holds)
    }

    /// The day on which the client died, if that was told.
    pub fn died_on(&self) -> Option<CivilDate> {
        let ends = self.ends.iter().filter(|ended| ended.by == EndedBy::Death);
        ends.map(|ended| ended.moment.on()).min()
    }

    /// The death behind which something came, if that is known: what was signed then, no consumer signed.
    pub(crate) fn death_before(&self, signed: &Moment) -> Option<&Moment> {
        let deaths = self.ends.iter().filter(|ended| ended.by == EndedBy::Death);
        deaths.map(|ended| &ended.moment).find(|died| died.is_before(signed) == Some(true))
    }

    /// What stands in the way of a charge of this client's card, with the law of it. `before` are the charges that were
    /// asked for before it.
    pub fn bars_charge(
        &self,
        charge: Charged,
        before: &[Charged],
    ) -> Option<(String, &'static str)> {
        let Charged { amount, invoice, on } = charge;
        if let Some(died) = self.died_on().filter(|died| *died <= on) {
            let detail = format!(
                "the client died on {died}, and with the client the authority to charge the card: what is \
                 open is asked of the estate"
            );
            return Some((detail, DEATH));
        }
        match self.authorizes(amount, on)? {
            Unauthorized::NoMandate => {
                let detail = "the card draws on a bank account, and no signed authorization of recurring charges is on \
                              record";
                Some((detail.to_owned(), "12 CFR 1005.10(b)"))
            }
            Unauthorized::Revoked { since } => {
                let detail = format!(
                    "the client revoked the authorization of recurring charges on {since}: agree another way to pay, or \
                     record a new one"
                );
                Some((detail, "12 CFR 1005.10(b), (c)"))
            }
            Unauthorized::OtherAmount { since, least, most } => {
                let charged: Vec<Charged> = before.iter().copied().chain([charge]).collect();
                let covers = |notice: &NoticeSent<'_>| {
                    notice.covers.is_some_and(|covered| covered.invoice == invoice)
                        && notice.told.said.amount == Some(amount)
                };
                if self.notices(&charged).iter().any(covers) {
                    return None;
                }
                let agreed = least.map_or(format!("{most}"), |least| format!("{least} to {most}"));
                let detail = format!(
                    "the authorization of {since} is for {agreed}, and no notice of this charge of {amount} was sent \
                     {NOTICE_DAYS} days before, or it announced another charge: send one and record it"
                );
                Some((detail, "12 CFR 1005.10(d)"))
            }
        }
    }

    /// What is wrong with charging an amount by the authorization that stands at the end of a day.
    fn authorizes(&self, amount: Money, on: CivilDate) -> Option<Unauthorized> {
        let Some(CircumstanceInForce { since, said }) =
            self.circumstance(Circumstance::ChargeMandate, on)
        else {
            return self.holds(Circumstance::DebitCard, on).then_some(Unauthorized::NoMandate);
        };
        let since = since.on();
        if !said.holds {
            return Some(Unauthorized::Revoked { since });
        }
        let most = said.amount.unwrap_or(amount);
        let least = said.least.unwrap_or(most);
        let is_agreed = (least.minor()..=most.minor()).contains(&amount.minor());
        (!is_agreed).then_some(Unauthorized::OtherAmount { since, least: said.least, most })
    }

    /// The notices of charges, by the days of the charges that they name, and which of the charges that were asked for
    /// each of them announced: one, and the same invoice again where a try of it failed (12 CFR 1005.10(d)(1)).
    pub fn notices(&self, charged: &[Charged]) -> Vec<NoticeSent<'_>> {
        let is_notice = |told: &&CircumstanceTold| {
            told.said.kind == Circumstance::ChargeNotice && told.said.holds
        };
        let told = self.circumstances.iter().filter(is_notice);
        let mut notices: Vec<NoticeSent<'_>> = told
            .filter_map(|told| {
                Some(NoticeSent { told, charge_on: told.said.charge_on?, covers: None })
            })
            .collect();
        notices.sort_by_key(|notice| notice.charge_on);
        for charge in charged {
            let is_other_amount = matches!(
                self.authorizes(charge.amount, charge.on),
                Some(Unauthorized::OtherAmount { .. })
            );
            let is_of = |notice: &NoticeSent<'_>| {
                notice.announces(charge)
                    && notice.covers.is_some_and(|covered| covered.invoice == charge.invoice)
            };
            if !is_other_amount || notices.iter().any(is_of) {
                continue;
            }
            let fresh =
                |notice: &&mut NoticeSent<'_>| notice.covers.is_none() && notice.announces(charge);
            if let Some(notice) = notices.iter_mut().find(fresh) {
                notice.covers = Some(*charge);
            }
        }
        notices
    }

    /// What a charge broke as the facts of its day are known now. What is known of its own day alone may have come behind
    /// it, and what was given on that day may have come before it.
    pub(super) fn broken_by_charge(&self, amount: Money, on: CivilDate) -> Option<ExposureKind> {
        if self.died_on().is_some_and(|died| died < on) {
            return Some(ExposureKind::ChargeAfterDeath);
        }
        let charge = Charged { amount, invoice: 0, on };
        let is_announced = || {
            let of_amount = |notice: &NoticeSent<'_>| notice.announces(&charge);
            self.notices(&[]).iter().any(of_amount)
        };
        let is_barred = |on| match self.authorizes(amount, on) {
            None => false,
            Some(Unauthorized::NoMandate | Unauthorized::Revoked { .. }) => true,
            Some(Unauthorized::OtherAmount { .. }) => !is_announced(),
        };
        let is_barred = on.pred_opt().is_some_and(is_barred) && is_barred(on);
        is_barred.then_some(ExposureKind::ChargeUnauthorized)
    }
}

/// What an authority ends by with its giver.
const DEATH: &str = "common law of agency";

/// What of an authorization of recurring charges is missing.
enum Unauthorized {
    /// The card draws on an account, and there is none (12 CFR 1005.10(b)).
    NoMandate,
    /// It was revoked (12 CFR 1005.10(c)).
    Revoked { since: CivilDate },
    /// It names other amounts (12 CFR 1005.10(d)).
    OtherAmount { since: CivilDate, least: Option<Money>, most: Money },
}

/// A notice of a charge of another amount.
#[derive(Clone, Copy, Debug)]
pub struct NoticeSent<'a> {
    /// What was told.
    pub told: &'a CircumstanceTold,
    /// The day of the charge that it names.
    pub charge_on: CivilDate,
    /// The charge that it announced, once one was asked for.
    pub covers: Option<Charged>,
}

impl NoticeSent<'_> {
    /// Whether it was sent as early as it must be before the day that it names (12 CFR 1005.10(d)(1)).
    pub fn is_in_time(&self) -> bool {
        let sent = self.told.moment.on();
        BusinessCalendar::EveryDay.add_business_days(sent, NOTICE_DAYS) <= self.charge_on
    }

    fn announces(&self, charge: &Charged) -> bool {
        self.is_in_time()
            && self.told.said.amount == Some(charge.amount)
            && self.charge_on <= charge.on
    }

    /// What follows from it, in words.
    pub fn follows(&self) -> String {
        match self.covers {
            Some(Charged { invoice, on, .. }) => {
                format!("it announced the charge of {on} of invoice {invoice}, and covers no other")
            }
            None if self.is_in_time() => format!(
                "one charge of that amount may be asked for from {} on, while an authorization of charges stands",
                self.charge_on
            ),
            None => format!(
                "it was sent less than {NOTICE_DAYS} days before the charge that it names, and covers none"
            ),
        }
    }
}

/// The fact, whatever letters it comes too late for.
pub(super) fn decide(
    case: &Case,
    facts: &Facts<'_>,
    said: &CircumstanceChanged,
) -> Result<Vec<CaseEvent>, Refusal> {
    check(case, facts, said)?;
    Ok(one(said.clone()))
}

/// A circumstance says what its kind has and nothing else.
fn check(case: &Case, facts: &Facts<'_>, said: &CircumstanceChanged) -> Result<(), Refusal> {
    let refuse = |field: &str, rule: &str| {
        let field = format!("change_circumstance.{field}");
        Err(Refusal::new(Reason::ValueRefused, field, rule))
    };
    let CircumstanceChanged { amount, charge_on, holds, kind, least, who, .. } = said;
    let is_mandate = *kind == Circumstance::ChargeMandate && *holds;
    let is_notice = *kind == Circumstance::ChargeNotice;
    let currency = facts.firm.registered.as_ref().map(|firm| firm.currency);
    let is_amount = |money: &Money| money.is_positive() && Some(money.currency()) == currency;
    if is_notice && !holds {
        return refuse("holds", "a notice was sent or it was not: one told wrongly is corrected");
    }
    if amount.is_some() != (is_mandate || is_notice) {
        return refuse(
            "amount",
            "belongs to an authorization of charges and to a notice, which each name one",
        );
    }
    if !amount.iter().chain(least).all(is_amount) {
        return refuse("amount", "is above zero, in the firm's currency");
    }
    if least.is_some() && !is_mandate {
        return refuse("least", "belongs to an authorization of charges alone");
    }
    if let (Some(least), Some(most)) = (least, amount)
        && most.minor() < least.minor()
    {
        return refuse("least", "is at most the amount");
    }
    if charge_on.is_some() != is_notice {
        return refuse("charge_on", "belongs to a notice, which names the day of the charge");
    }
    if charge_on.is_some_and(|day| day < facts.on) {
        return refuse("charge_on", "is not before the day on which the notice was sent");
    }
    if who.is_some() != (*kind == Circumstance::Represented && *holds) {
        return refuse(
            "who",
            "belongs to a representation that begins, and names who speaks for the client",
        );
    }
    let is_same = |known: &CircumstanceTold| {
        let CircumstanceChanged { amount, charge_on, holds, kind, least, .. } = &known.said;
        (amount, charge_on, holds, kind, least)
            == (&said.amount, &said.charge_on, &said.holds, &said.kind, &said.least)
            && known.moment.on() == facts.on
    };
    if *kind != Circumstance::Represented && case.circumstances.iter().any(is_same) {
        return Err(facts.refuse(Reason::AlreadyRecorded, "the same was recorded of this day"));
    }
    Ok(())
}
