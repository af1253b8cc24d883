//! What happens to a paying account.

use std::collections::BTreeSet;

use calendar::CivilDate;

use super::{EventRef, ExposureKind};
use crate::codec::{codes, record};
use crate::ids::{AccountId, CaseId, ProcessorRef};
use crate::money::Money;
use crate::value::{Personal, Text};

record! {
    /// A card kept by the processor: we hold its token and last four digits, never the number.
    pub struct Card {
        /// Last month of validity, `YYYY-MM`.
        expires: Text,
        /// The last four digits.
        last4: Personal,
        /// The processor's token. Older events hold it in the clear.
        token: Personal,
    }
}

record! {
    /// An account was opened for a case that enrolled.
    pub struct AccountOpened {
        /// The case.
        owner: CaseId,
    }
}

record! {
    /// The card on file changed.
    pub struct CardOnFileChanged {
        /// The new card.
        card: Card,
        /// That it is the card before with other particulars. Older events do not say so: their tokens
        /// are compared.
        same: Option<bool>,
    }
}

codes! {
    /// What two members of a couple have in common.
    pub enum Match {
        /// Telephone, E.164.
        Phone = "phone",
        /// Address, USPS Publication 28.
        Address = "address",
        /// Card token.
        Card = "card",
    }
}

record! {
    /// Two of three match: a person has to say whether these two are a couple.
    pub struct LinkSuggested {
        /// What matches.
        matches: BTreeSet<Match>,
        /// The other case.
        member: CaseId,
    }
}

record! {
    /// A person said that these two are no couple.
    pub struct LinkRefused {
        /// The other case.
        member: CaseId,
    }
}

codes! {
    /// Who linked a couple.
    pub enum LinkedBy {
        /// All three match.
        Rule = "rule",
        /// A person confirmed it.
        Person = "person",
    }
}

record! {
    /// A second member pays through this account from now on.
    pub struct MemberLinked {
        /// Who linked.
        by: LinkedBy,
        /// What matched.
        matches: BTreeSet<Match>,
        /// The second member.
        member: CaseId,
    }
}

record! {
    /// The second member pays alone again. Past invoices stay as they are.
    pub struct MemberUnlinked {
        /// The second member.
        member: CaseId,
    }
}

record! {
    /// This account's case pays through another account from now on.
    pub struct PaymentMoved {
        /// The paying account.
        to: AccountId,
    }
}

record! {
    /// This account's case pays through it again.
    pub struct PaymentMovedBack {}
}

record! {
    /// One earned fee on an invoice.
    pub struct InvoiceLine {
        /// The amount.
        amount: Money,
        /// The case that earned it.
        case: CaseId,
        /// First day after the period.
        end: CivilDate,
        /// The period.
        period: u32,
        /// First day of the period.
        start: CivilDate,
    }
}

record! {
    /// An invoice was issued. Only earned fees make its lines.
    pub struct InvoiceIssued {
        /// The day it is due.
        due_on: CivilDate,
        /// The lines.
        lines: Vec<InvoiceLine>,
        /// Gapless in the firm, from 1.
        number: u64,
        /// The sum of the lines.
        total: Money,
    }
}

record! {
    /// The processor was asked to charge the card for an invoice.
    pub struct ChargeRequested {
        /// What is open.
        amount: Money,
        /// Counted from 1.
        attempt: u32,
        /// The invoice.
        invoice: u64,
    }
}

record! {
    /// A part of a payment that pays an invoice.
    pub struct Applied {
        /// How much.
        amount: Money,
        /// The invoice.
        invoice: u64,
    }
}

record! {
    /// What of an amount is a line's.
    pub struct LinePart {
        /// How much.
        amount: Money,
        /// What of the line nothing allowed when this was recorded, if anything.
        exposed: Option<Money>,
        /// The invoice.
        invoice: u64,
        /// The line, counted from 1.
        line: u32,
    }
}

record! {
    /// Money came in.
    pub struct PaymentSettled {
        /// How much.
        amount: Money,
        /// What it pays.
        applied: Vec<Applied>,
        /// The lines it covers, of an invoice that has several. Older events do not say, and cover all pro rata;
        /// so with the others below.
        lines: Option<Vec<LinePart>>,
        /// The invoice that it was to pay, if nothing was open on it.
        meant: Option<u64>,
        /// The processor's name for it.
        payment: ProcessorRef,
        /// What pays nothing that was earned: owed back to the client.
        unearned: Money,
    }
}

codes! {
    /// Why a charge failed, as far as it decides what may be done next.
    pub enum FailureReason {
        /// Not enough money: may be tried again, at most twice.
        InsufficientFunds = "insufficient_funds",
        /// The card has expired.
        CardExpired = "card_expired",
        /// The issuer declined.
        Declined = "declined",
        /// The card was reported lost or stolen.
        LostOrStolen = "lost_or_stolen",
        /// The account is closed.
        AccountClosed = "account_closed",
        /// The client withdrew the authorization.
        AuthorizationRevoked = "authorization_revoked",
    }
}

record! {
    /// A charge failed.
    pub struct PaymentFailed {
        /// The attempt that failed.
        attempt: u32,
        /// The invoice.
        invoice: u64,
        /// The day of the next try; nothing if a person has to decide.
        next_try_on: Option<CivilDate>,
        /// Why.
        reason: FailureReason,
    }
}

record! {
    /// The processor was asked to give money of a payment back. It is given back when the processor says so, not before.
    pub struct RefundRequested {
        /// How much.
        amount: Money,
        /// The lines it is for, of an invoice that has several: first what is owed.
        lines: Option<Vec<LinePart>>,
        /// Counted from 1 in the account.
        number: u32,
        /// The payment it is to come from.
        payment: ProcessorRef,
        /// Why.
        reason: Personal,
    }
}

codes! {
    /// Why money that was to be given back was not.
    pub enum RefundFailureReason {
        /// What the firm has with the processor does not cover it.
        InsufficientFunds = "insufficient_funds",
        /// The issuer declined.
        Declined = "declined",
        /// The account it was paid from is closed.
        AccountClosed = "account_closed",
        /// The processor takes back no payment that old.
        PaymentTooOld = "payment_too_old",
        /// The client disputes the payment with the bank.
        Disputed = "disputed",
        /// The firm took the request back before it was carried out.
        Withdrawn = "withdrawn",
    }
}

record! {
    /// Money that was to be given back was not.
    pub struct RefundFailed {
        /// The request.
        number: u32,
        /// Why.
        reason: RefundFailureReason,
    }
}

record! {
    /// Money was paid back.
    pub struct RefundIssued {
        /// How much.
        amount: Money,
        /// The lines it is taken out of: first what is owed.
        lines: Option<Vec<LinePart>>,
        /// What of it gives back what was owed of lines, if anything: no expense. Older events do not say.
        owed: Option<Vec<LinePart>>,
        /// The payment it came from.
        payment: ProcessorRef,
        /// Why.
        reason: Option<Personal>,
        /// The processor's name for the refund.
        refund: ProcessorRef,
        /// The request that it answers, if it answers one.
        request: Option<u32>,
    }
}

record! {
    /// The client's bank took a payment back.
    pub struct ChargebackOpened {
        /// How much.
        amount: Money,
        /// The processor's name for it.
        chargeback: ProcessorRef,
        /// The lines it opens again.
        lines: Option<Vec<LinePart>>,
        /// The payment.
        payment: ProcessorRef,
        /// Last day to answer, if the processor named one.
        respond_by: Option<CivilDate>,
    }
}

record! {
    /// The firm won a chargeback.
    pub struct ChargebackWon {
        /// Which.
        chargeback: ProcessorRef,
        /// That of an invoice of several lines it pays what is open, whichever lines its chargeback took. Older events do
        /// not say, and go back to those lines alone.
        whole: Option<bool>,
    }
}

record! {
    /// The firm lost a chargeback.
    pub struct ChargebackLost {
        /// Which.
        chargeback: ProcessorRef,
    }
}

record! {
    /// An invoice was lowered.
    pub struct CreditGranted {
        /// By how much.
        amount: Money,
        /// The invoice.
        invoice: u64,
        /// The lines it lowers: first what nothing allowed.
        lines: Option<Vec<LinePart>>,
        /// Why.
        reason: Personal,
    }
}

record! {
    /// What is open on an invoice was given up.
    pub struct WrittenOff {
        /// How much.
        amount: Money,
        /// The invoice.
        invoice: u64,
        /// The lines it gives up: first what may be asked for.
        lines: Option<Vec<LinePart>>,
        /// Why.
        reason: Personal,
    }
}

record! {
    /// Money was taken that no earned fee stands behind (15 USC 1679b(b)): owed back to the client.
    pub struct UnearnedPaymentFound {
        /// How much.
        amount: Money,
        /// The rule.
        cites: Text,
        /// The payment.
        payment: ProcessorRef,
    }
}

impl UnearnedPaymentFound {
    /// So much of a payment.
    pub(crate) fn of(amount: Money, payment: ProcessorRef) -> Self {
        let cites = Text::parse(ExposureKind::PaymentUnearned.cites());
        Self { amount, cites: cites.expect("citations of ours are short text"), payment }
    }
}

record! {
    /// So much of a line was kept by counsel's reason since some day.
    pub struct KeptSince {
        /// How much; nothing where a decision to keep was taken back.
        amount: Money,
        /// The position of the decision.
        at: u64,
        /// Its day.
        on: CivilDate,
    }
}

record! {
    /// What of an invoice's sums is a line's.
    pub struct LineShare {
        /// Credited or paid back.
        credited: Money,
        /// What of the line nothing allowed when it was asked for and counsel does not keep, if anything, whatever was given
        /// back of this invoice since.
        exposed: Option<Money>,
        /// What of the line counsel kept, each decision in order, if any was taken: what was told of money before is of the lines
        /// that it was of. Older events do not say so, and went by the last decision throughout.
        kept: Option<Vec<KeptSince>>,
        /// What of the part written off a bank had taken back, if anything.
        lost: Option<Money>,
        /// Paid, less what went back.
        paid: Money,
        /// What of it is no exposure and may not be asked for, if anything: its fee is unproved.
        unproved: Option<Money>,
        /// Given up.
        written_off: Money,
    }
}

record! {
    /// Which lines of an invoice its money is of, by the days of what was told of it and by what is known of its fees now.
    /// It moves no money, and stands where that is not what the events before it say.
    pub struct LinesShared {
        /// The invoice.
        invoice: u64,
        /// Each of its lines, in order.
        lines: Vec<LineShare>,
    }
}

record! {
    /// What an invoice's money comes to by the days of what was told.
    pub struct InvoiceRestated {
        /// The invoice.
        invoice: u64,
        /// Each of its lines, in order.
        lines: Vec<LineShare>,
    }
}

record! {
    /// What of a payment no earned fee stands behind by the days of what was told.
    pub struct PaymentRestated {
        /// The payment.
        payment: ProcessorRef,
        /// What of it is owed to the client.
        unearned: Money,
    }
}

record! {
    /// What the money of an account comes to once all that was told of it is gone through by its days. It stands where that
    /// is not what the events came to in the order in which they were told, and says what changes.
    pub struct MoneyRestated {
        /// What more went out by refunds and chargebacks than came in, all in all: the firm's loss.
        beyond: Money,
        /// Which reading of money by its days it goes by; since the second, what it changes of each fact counts on the day of that
        /// fact. Older events are of the first, which they do not say.
        edition: Option<u32>,
        /// The invoices of which another sum is paid, credited or written off, by number.
        invoices: Vec<InvoiceRestated>,
        /// The payments of which another part is owed, by name.
        payments: Vec<PaymentRestated>,
    }
}

codes! {
    /// What is told of money, and corrected where it was told wrongly. Each is called as its event is.
    pub enum MoneyFact {
        /// See [`PaymentSettled`].
        PaymentSettled = "payment_settled",
        /// See [`PaymentFailed`].
        PaymentFailed = "payment_failed",
        /// See [`RefundIssued`].
        RefundIssued = "refund_issued",
        /// See [`ChargebackOpened`].
        ChargebackOpened = "chargeback_opened",
        /// See [`ChargebackWon`].
        ChargebackWon = "chargeback_won",
        /// See [`ChargebackLost`].
        ChargebackLost = "chargeback_lost",
        /// See [`CreditGranted`].
        CreditGranted = "credit_granted",
        /// See [`WrittenOff`].
        WrittenOff = "written_off",
    }
}

record! {
    /// A fact about money was told wrongly: what it moved is taken back. What happened instead, if anything did,
    /// is the event that follows in the log, and a fact of its own.
    pub struct MoneyCorrected {
        /// The account at which it is told anew by the event that follows; nothing if it did not happen.
        again: Option<AccountId>,
        /// The fact, as it was told.
        fact: EventRef,
        /// What kind of fact it is.
        kind: MoneyFact,
        /// Why.
        reason: Personal,
        /// Who said so.
        said_by: Personal,
    }
}
