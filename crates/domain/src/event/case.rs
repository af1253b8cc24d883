//! What happens to a case, in the order of a case's life: papers, periods, fees and what went wrong.
//! Reports and letters are in `dispute`.

use std::collections::BTreeSet;

use calendar::{CivilDate, PeriodRule, Zone};

use super::{CaseEvent, EndedBy, EventRef, FactKind, UtcMicros};
use crate::codec::{codes, record};
use crate::gates::{FeeStanding, Gate};
use crate::ids::{
    AccountId, BureauCode, DocumentHash, ItemCode, PaperCode, PlanCode, RequestId, StateCode,
};
use crate::money::Money;
use crate::rules::{ContractItem, Languages, Rules};
use crate::terms::{Sale, Seat, Terms, Work};
use crate::value::{Personal, Text};

record! {
    /// A postal address.
    pub struct Address {
        /// City.
        city: Personal,
        /// Street line.
        line1: Personal,
        /// Second line: the unit, if it is not in the first.
        line2: Option<Personal>,
        /// State.
        state: StateCode,
        /// ZIP or ZIP+4.
        zip: Personal,
    }
}

record! {
    /// How to reach a client.
    pub struct Contact {
        /// Where letters say the client lives.
        address: Address,
        /// E-mail.
        email: Personal,
        /// Full name.
        name: Personal,
        /// Telephone, E.164.
        phone: Personal,
    }
}

record! {
    /// A client enrolled. Nothing is charged.
    pub struct Enrolled {
        /// When periods end.
        billing: PeriodRule,
        /// Birth date, as written.
        birth_date: Personal,
        /// Contact.
        contact: Contact,
        /// The plan.
        plan: PlanCode,
        /// The plan's version that day.
        plan_version: u32,
        /// How the client was enrolled.
        sale: Sale,
        /// Alone or one of a couple.
        seat: Seat,
        /// The last four digits of the SSN, the most that is ever kept.
        ssn_last4: Option<Personal>,
        /// Where midnight is the client's.
        zone: Zone,
    }
}

record! {
    /// The federal disclosure was given, as a document of its own (15 USC 1679c(a), (b)).
    pub struct DisclosureDelivered {
        /// The document given.
        document: Option<DocumentHash>,
    }
}

record! {
    /// The client signed for the disclosure (15 USC 1679c(c); kept two years).
    pub struct DisclosureAcknowledged {
        /// The signed copy.
        document: Option<DocumentHash>,
    }
}

record! {
    /// A listing that was promised to be deleted.
    pub struct ListingDeleted {
        /// The bureau.
        bureau: BureauCode,
        /// The item.
        item: ItemCode,
    }
}

record! {
    /// A listing that was promised to be corrected to a balance.
    pub struct ListingCorrected {
        /// The balance.
        balance: Money,
        /// The bureau.
        bureau: BureauCode,
        /// The item.
        item: ItemCode,
    }
}

record! {
    /// A score that was promised to be raised.
    pub struct ScoreRaised {
        /// The least that it is to be.
        at_least: u16,
        /// The bureau.
        bureau: BureauCode,
        /// The model that makes it; scores of different models do not compare.
        model: Text,
    }
}

record! {
    /// What shows a promised result, where a report can be asked: one of these. Of a result that was promised in
    /// words alone none.
    #[derive(Default)]
    pub struct Showing {
        /// A listing corrected.
        corrected: Option<ListingCorrected>,
        /// A listing deleted.
        deleted: Option<ListingDeleted>,
        /// How many listings are deleted, whichever they are.
        deletions: Option<u32>,
        /// A score raised.
        score: Option<ScoreRaised>,
    }
}

record! {
    /// A result that an agreement promises (16 CFR 310.4(a)(2)(ii)).
    pub struct PromisedResult {
        /// What shows it.
        showing: Option<Showing>,
        /// As the agreement words it.
        words: Personal,
    }
}

record! {
    /// The agreement was signed, with the authorization to write to the bureaus in it
    /// (15 USC 1679d). It fixes prices, promised work and rules for as long as it stands.
    pub struct ConsentSigned {
        /// Other states in which something of the contract was done. Older events do not say.
        activity: Option<BTreeSet<StateCode>>,
        /// Last day on which the client may cancel without penalty.
        cancel_through: CivilDate,
        /// Whether the copies and the notice of cancellation in duplicate were given (1679e(b), (c)).
        copies_given: bool,
        /// The signed agreement.
        document: Option<DocumentHash>,
        /// Whether consent to electronic records was given (15 USC 7001(c)).
        e_sign_consent: bool,
        /// What it holds beside what federal law asks, and what went with it. Where nobody said, nothing is known.
        items: Option<BTreeSet<ContractItem>>,
        /// In which languages it was made. Where nobody said, nothing is known.
        languages: Option<Languages>,
        /// The plan that it is of; where it does not say, that of the enrolment.
        plan: Option<PlanSigned>,
        /// The results that it promises. Older events do not say.
        promised: Option<Vec<PromisedResult>>,
        /// The rules merged that day.
        rules: Rules,
        /// First day on which service may be performed.
        service_from: CivilDate,
        /// The state where the client lived that day.
        state: StateCode,
        /// Prices and promised work.
        terms: Terms,
        /// The total of all payments that the agreement states (1679d(b)(1)).
        total_of_payments: Money,
    }
}

record! {
    /// A plan in the version of a day.
    pub struct PlanSigned {
        /// The plan.
        code: PlanCode,
        /// The version.
        version: u32,
    }
}

record! {
    /// The client cancelled. It counts from when it was sent: in the cancellation days it undoes the
    /// agreement (15 USC 1679e(a)), later it ends the service. Older logs have it for the former alone.
    pub struct ConsentCancelled {
        /// Why, as the client says it.
        reason: Option<Personal>,
        /// Postmark, or the day a message was sent.
        sent_on: CivilDate,
    }
}

codes! {
    /// What an identity paper proves.
    pub enum PaperKind {
        /// A government photo identification.
        PhotoId = "photo_id",
        /// A proof of residence with name and address.
        Residence = "residence",
    }
}

record! {
    /// An identity paper came in.
    pub struct IdentityPaperReceived {
        /// The scan.
        document: Option<DocumentHash>,
        /// What it proves.
        kind: PaperKind,
        /// Its code.
        paper: PaperCode,
    }
}

record! {
    /// An identity paper will do.
    pub struct IdentityPaperAccepted {
        /// Which.
        paper: PaperCode,
    }
}

record! {
    /// An identity paper will not do, and the client was asked again.
    pub struct IdentityPaperRejected {
        /// Which.
        paper: PaperCode,
        /// Why.
        reason: Personal,
    }
}

record! {
    /// The client was sent a progress report.
    pub struct ProgressReportSent {
        /// That it completes the period before its day, in the days of grace.
        completes_before: Option<bool>,
        /// The report as sent.
        document: Option<DocumentHash>,
    }
}

record! {
    /// The client's contact changed, whole.
    pub struct ContactChanged {
        /// The new contact.
        contact: Contact,
    }
}

record! {
    /// The client's billing day changed. The period that runs keeps its end.
    pub struct BillingDayChanged {
        /// When later periods end.
        billing: PeriodRule,
    }
}

codes! {
    /// Which way a message went.
    pub enum Direction {
        /// To the client.
        Outgoing = "outgoing",
        /// From the client.
        Incoming = "incoming",
    }
}

record! {
    /// A message or call with the client, or a complaint.
    pub struct MessageLogged {
        /// Whether it is a complaint.
        complaint: bool,
        /// Which way.
        direction: Direction,
        /// What was said.
        text: Personal,
    }
}

record! {
    /// Service is paused: no period runs on.
    pub struct ServicePaused {
        /// Why.
        reason: Personal,
    }
}

record! {
    /// Service goes on; the open period ends later by the paused days.
    pub struct ServiceResumed {}
}

record! {
    /// Service ended. A period that it leaves unfinished earns nothing.
    pub struct ServiceEnded {
        /// Who ended it.
        by: EndedBy,
        /// Why.
        reason: Option<Personal>,
    }
}

record! {
    /// A period was given up without a fee.
    pub struct PeriodClosedWithoutFee {
        /// First day after the period. Older events name its number alone.
        end: Option<CivilDate>,
        /// The period's number that day.
        period: u32,
        /// Why.
        reason: Personal,
        /// First day of the period.
        start: Option<CivilDate>,
    }
}

record! {
    /// A result and the report that shows it, as a person found.
    pub struct FoundResult {
        /// The bureau.
        bureau: BureauCode,
        /// The item: its result is the one that stands.
        item: ItemCode,
        /// Which of the results that the agreement promises, counted from 1; none where it has no list of them.
        promise: Option<u32>,
        /// The day on which the report was issued.
        report_on: CivilDate,
    }
}

record! {
    /// A person found that results of an agreement were the promised ones, and that reports show them. It judges
    /// evidence, and waives neither the time frame nor the six months (16 CFR 310.4(a)(2)).
    pub struct ResultsFound {
        /// The signing.
        agreement: EventRef,
        /// What the finding rests on.
        document: Option<DocumentHash>,
        /// What was found.
        found: Vec<FoundResult>,
        /// Who found it.
        found_by: Personal,
        /// Why.
        reason: Personal,
    }
}

record! {
    /// One piece of promised work and the event that evidences it.
    pub struct WorkEvidence {
        /// The event.
        event: EventRef,
        /// Whether it was recorded long after it happened.
        late: bool,
        /// The day it happened.
        on: CivilDate,
        /// The work.
        work: Work,
    }
}

record! {
    /// A period's fee is earned: every gate held (15 USC 1679b(b) and the rest of the rules).
    pub struct FeeEarned {
        /// The account that pays.
        account: AccountId,
        /// The agreement that governs the period. Fees that were claimed before this was kept name none.
        agreement: Option<EventRef>,
        /// The fee, or this member's share of it.
        amount: Money,
        /// The day up to which it was judged.
        as_of: CivilDate,
        /// The day the fee was earned: the last day of the period, or of the work if that was later.
        /// Fees that were claimed before this was kept have none.
        earned_on: Option<CivilDate>,
        /// First day after the period.
        end: CivilDate,
        /// What evidences each promised piece of work.
        evidence: Vec<WorkEvidence>,
        /// The period.
        period: u32,
        /// The plan it was agreed under.
        plan: Option<PlanCode>,
        /// The rules it was judged by.
        rules: Vec<crate::rules::PackRef>,
        /// First day of the period.
        start: CivilDate,
    }
}

record! {
    /// A billing run found a period that is over and cannot be billed. Noted once per set of gates.
    pub struct FeeHeld {
        /// First day after the period. Older events name its number alone.
        end: Option<CivilDate>,
        /// The gates that do not hold.
        gates: BTreeSet<Gate>,
        /// The period's number that day.
        period: u32,
        /// First day of the period.
        start: Option<CivilDate>,
    }
}

record! {
    /// What was written off, as the books lost it.
    #[derive(Copy)]
    pub struct Loss {
        /// What nobody paid.
        bad_debt: Money,
        /// What a bank had taken back.
        charged_back: Money,
    }
}

record! {
    /// What is concluded of a claimed fee, where that differs from what was concluded of it last: the books follow
    /// it from one to the other. Nothing is decided by it but
    /// which line of an invoice money is of.
    pub struct FeeMarked {
        /// The account that the fee was asked of.
        account: AccountId,
        /// The day of asking on which it is as this says.
        asked_on: CivilDate,
        /// The part that nothing allowed.
        exposed: Money,
        /// The same as it was marked last, or nothing.
        exposed_before: Money,
        /// The claim.
        fee: EventRef,
        /// The gates that were not open that day.
        gates: BTreeSet<Gate>,
        /// What of the exposed part was credited or paid back.
        given_back: Money,
        /// The same as it was marked last, or nothing. Older events do not say, and moved nothing of it.
        given_back_before: Option<Money>,
        /// The invoice it stands on.
        invoice: Option<u64>,
        /// What was collected for the exposed part and is kept by counsel's reason, if anything.
        kept: Option<Money>,
        /// The same as it was marked last.
        kept_before: Option<Money>,
        /// What of the exposed part was written off, if anything. Older events do not say.
        lost: Option<Loss>,
        /// The same as it was marked last.
        lost_before: Option<Loss>,
        /// What of the exposed part is open on the invoice.
        open: Money,
        /// The same as it was marked last, or nothing.
        open_before: Money,
        /// What was collected for the exposed part and neither given back nor kept by counsel's reason (15 USC
        /// 1679b(b)).
        owed: Money,
        /// The same as it was marked last, or nothing.
        owed_before: Money,
        /// The plan it was agreed under.
        plan: Option<PlanCode>,
        /// What refunds of its line gave back as owed, if anything: it left the books with them.
        returned: Option<Money>,
        /// The same as it was marked last.
        returned_before: Option<Money>,
        /// What stands behind it.
        standing: FeeStanding,
    }
}

impl FeeMarked {
    /// Whether nothing speaks against the fee: it need not be marked any more.
    pub fn is_allowed(&self) -> bool {
        self.standing == FeeStanding::Allowed && self.exposed.is_zero()
    }

    /// Whether it is the same judgement of the same fee, whatever money came or went since.
    pub(crate) fn judges_as(&self, other: &Self) -> bool {
        (&self.fee, self.standing, self.exposed, self.asked_on, &self.gates)
            == (&other.fee, other.standing, other.exposed, other.asked_on, &other.gates)
    }

    /// Whether it concludes what an earlier mark of the same fee did.
    pub(crate) fn says_as(&self, earlier: &Self) -> bool {
        let said = |mark: &Self| {
            let Self { asked_on, exposed, given_back, invoice, kept, lost, .. } = *mark;
            let Self { open, owed, returned, standing, .. } = *mark;
            (asked_on, exposed, given_back, invoice, kept, lost, (open, owed, returned, standing))
        };
        said(self) == said(earlier) && self.gates == earlier.gates
    }
}

record! {
    /// The firm's counsel decided that money which was collected for what nothing allowed of a claimed fee is kept, and
    /// why. It opens no gate and asks for nothing: the fee stands as it did. The last one of a fee is in force.
    pub struct FeeKept {
        /// How much is kept of the fee in all; nothing takes the decision back.
        amount: Money,
        /// Counsel's name.
        counsel: Text,
        /// What counsel wrote.
        document: Option<DocumentHash>,
        /// What of the fee nothing allowed when this was decided.
        exposed: Money,
        /// The claim.
        fee: EventRef,
        /// The gates that were not open, as counsel knew them.
        gates: BTreeSet<Gate>,
        /// Why.
        reason: Personal,
    }
}

record! {
    /// A mistake in the record is answered; the event named stays as it is.
    pub struct CorrectionNoted {
        /// The position of the event that was wrong, or that was moved here.
        corrects: u64,
        /// That the fact there was told first of another client, and is this one's. It names nobody: what was told
        /// there was taken back in the same request.
        moved: Option<bool>,
        /// What is right.
        note: Personal,
    }
}

/// A fact as a correction tells it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reading {
    /// What happened.
    pub event: CaseEvent,
    /// The moment it happened, where somebody said so.
    pub occurred_at: Option<UtcMicros>,
    /// The day it happened.
    pub occurred_on: CivilDate,
}

record! {
    /// A fact was told wrongly: it is taken back, or another reading takes its place in the story. Both
    /// readings stay in the log, and the fact keeps its place in it.
    pub struct FactCorrected {
        /// That it was another person's: its personal values are opened to nobody again.
        about_another: Option<bool>,
        /// The fact, as it was told first.
        fact: EventRef,
        /// What kind of fact it is.
        kind: FactKind,
        /// The request whose order among facts of one day still holds: that of the fact, if its day stays. Else
        /// it is the request of the correction.
        order_of: Option<RequestId>,
        /// What it is now. Nothing: it did not happen, and was taken back.
        reading: Option<Box<Reading>>,
        /// Why.
        reason: Personal,
        /// The reading that this one replaces: the fact, or the correction of it that was in force.
        replaces: EventRef,
        /// Who said so.
        said_by: Personal,
    }
}
