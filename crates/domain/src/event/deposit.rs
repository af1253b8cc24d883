//! What a bank and a card processor say, and what stands behind it.
//!
//! A deposit's stream is one line of a bank statement, one statement or one payout of the processor. A line
//! is what came into the bank; movements of accounts (payments, and what goes back) are what stands behind it.

use calendar::CivilDate;

use crate::codec::{codes, record};
use crate::ids::{
    AccountId, BankCode, BankReference, DepositId, DocumentHash, EventId, ProcessorRef,
};
use crate::money::Money;
use crate::value::Text;

record! {
    /// A booked line of a bank statement. What a bank writes in free text is not kept: it may name
    /// people, and nothing is matched by it.
    pub struct StatementLineSeen {
        /// What came in; below zero what went out.
        amount: Money,
        /// The firm's account at a bank.
        bank: BankCode,
        /// Hash of the line as its source has it: the same line read again is the same one.
        line: DocumentHash,
        /// What the line refers to.
        references: Vec<BankReference>,
        /// Why the bank gives it back, as its code says (Nacha, ISO 20022); nothing for other lines.
        return_reason: Option<BankReference>,
        /// The day it counts for interest, if the bank says.
        value_on: Option<CivilDate>,
    }
}

codes! {
    /// What a statement was read from.
    pub enum StatementSource {
        /// ISO 20022 camt.053.
        Camt053 = "camt053",
        /// A table (RFC 4180), and balances that a person said.
        Csv = "csv",
    }
}

record! {
    /// A bank's statement of one account: its lines lead from the balance before to the balance after. The day of the
    /// event is its last one.
    pub struct StatementSeen {
        /// The firm's account at a bank.
        bank: BankCode,
        /// The balance at the end of its last day.
        closing: Money,
        /// SHA-256 of the file it was read from.
        file: DocumentHash,
        /// Its first day.
        from: CivilDate,
        /// How many lines it has.
        lines: u32,
        /// The balance at the beginning of its first day.
        opening: Money,
        /// Which statement of the file it is, from 1.
        part: u32,
        /// What the file is.
        source: StatementSource,
    }
}

record! {
    /// One line of a statement.
    pub struct StatementLine {
        /// What came in; below zero what went out.
        amount: Money,
        /// The day the bank booked it.
        booked_on: CivilDate,
        /// The line's own stream.
        line: DepositId,
    }
}

record! {
    /// Some of the lines of a statement; several such events hold a long list.
    pub struct StatementLinesListed {
        /// The lines.
        lines: Vec<StatementLine>,
    }
}

record! {
    /// A statement was recorded by mistake.
    pub struct StatementTakenBack {
        /// Why. No place for personal data.
        reason: Option<Text>,
        /// What is taken back: the event that recorded it.
        reverses: EventId,
    }
}

record! {
    /// A line was recorded by mistake: the bank booked no such line. Nothing stood behind it.
    pub struct LineTakenBack {
        /// The line's amount.
        amount: Money,
        /// Why. No place for personal data.
        reason: Option<Text>,
        /// What is taken back: the event that recorded it.
        reverses: EventId,
    }
}

record! {
    /// A payout was recorded wrongly.
    pub struct PayoutTakenBack {
        /// Why. No place for personal data.
        reason: Option<Text>,
        /// What is taken back: the event that recorded it.
        reverses: EventId,
    }
}

record! {
    /// The processor said what it pays out in one sum.
    pub struct PayoutReported {
        /// What the processor keeps: gross less net.
        costs: Money,
        /// Payments less what went back.
        gross: Money,
        /// How many movements it names.
        lines: u32,
        /// What reaches the bank.
        net: Money,
        /// The processor's name for it.
        payout: ProcessorRef,
    }
}

codes! {
    /// A way money of a client moves through the processor.
    pub enum MovementKind {
        /// A payment came in.
        Payment = "payment",
        /// A refund went back.
        Refund = "refund",
        /// A client's bank took a payment back.
        Chargeback = "chargeback",
        /// A chargeback was won, and its money came again.
        ChargebackWon = "chargeback_won",
    }
}

record! {
    /// One movement by the names it has in the account.
    #[derive(PartialOrd, Ord, Hash)]
    pub struct Movement {
        /// What it is.
        kind: MovementKind,
        /// The processor's name for the payment, refund or chargeback.
        name: ProcessorRef,
    }
}

record! {
    /// One movement that a payout names, and how much.
    pub struct PayoutLine {
        /// How much; below zero what went back.
        amount: Money,
        /// The movement.
        movement: Movement,
    }
}

record! {
    /// Some of the movements that a payout names; several such events hold a long list.
    pub struct PayoutLinesReported {
        /// The movements.
        lines: Vec<PayoutLine>,
    }
}

codes! {
    /// How it was found what stands behind a deposit.
    pub enum MatchRule {
        /// A reference names the payout or every movement.
        Reference = "reference",
        /// Amount and day.
        Amount = "amount",
        /// A person put it together.
        Person = "person",
    }
}

record! {
    /// It is proved to the cent what stands behind a line: movements less costs.
    pub struct DepositMatched {
        /// What the processor kept: gross less net.
        costs: Money,
        /// How many movements.
        count: u32,
        /// Their sum.
        gross: Money,
        /// Other lines of the same money, when the processor paid it in pieces.
        joined: Vec<DepositId>,
        /// What came in, this line and the joined ones together.
        net: Money,
        /// The payout, if the processor reported one.
        payout: Option<DepositId>,
        /// The event that set the policy under which it was matched without a person.
        policy: Option<EventId>,
        /// How it was found.
        rule: MatchRule,
    }
}

record! {
    /// A person said that something does not stand behind a line: it is not proposed again, and never
    /// matched without a person.
    pub struct MatchRefused {
        /// Other lines that it would have been matched with.
        joined: Vec<DepositId>,
        /// The movements; none if the payout names them.
        movements: Vec<Movement>,
        /// The payout.
        payout: Option<DepositId>,
    }
}

record! {
    /// This line is a piece of the money of another one, whose match proves both.
    pub struct MatchJoined {
        /// This line's amount.
        amount: Money,
        /// The line that has the match.
        to: DepositId,
    }
}

record! {
    /// A match was a mistake: what stood behind the line stands behind nothing again.
    pub struct MatchReversed {
        /// What is taken back: the event that matched.
        reverses: EventId,
    }
}

record! {
    /// This line is a piece of nothing again.
    pub struct MatchLeft {
        /// What is taken back: the event that joined.
        reverses: EventId,
    }
}

codes! {
    /// What a line is that no movement stands behind.
    pub enum Purpose {
        /// What the bank charges.
        BankCosts = "bank_costs",
        /// What the processor charges apart from payouts.
        ProcessorCosts = "processor_costs",
        /// Money whose books are kept elsewhere: the owner's, rent, wages, transfers.
        Elsewhere = "elsewhere",
    }
}

record! {
    /// A person said what a line is.
    pub struct LineBooked {
        /// The line's amount.
        amount: Money,
        /// What for, without names of people.
        note: Option<Text>,
        /// What it is.
        purpose: Purpose,
    }
}

record! {
    /// A line is not what a person said.
    pub struct BookingReversed {
        /// What is taken back: the event that booked.
        reverses: EventId,
    }
}

record! {
    /// Movements of an account stand behind a deposit.
    pub struct MoneyDeposited {
        /// The deposit.
        deposit: DepositId,
        /// Which movements.
        movements: Vec<Movement>,
    }
}

record! {
    /// Movements of an account do not stand behind a deposit any more.
    pub struct MoneyUndeposited {
        /// The deposit.
        deposit: DepositId,
        /// Which movements.
        movements: Vec<Movement>,
    }
}

/// A movement and the account it belongs to.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct AccountMovement {
    /// The account.
    pub account: AccountId,
    /// The movement.
    pub movement: Movement,
}
