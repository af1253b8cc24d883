//! What a firm decides about its books: how accounts are named, which months are closed.

use calendar::CivilDate;

use crate::codec::{codes, record};
use crate::event::EventRef;
use crate::ids::{AccountNumber, BankCode, DocumentHash};
use crate::money::Money;
use crate::value::Text;

codes! {
    /// An account of the books, by what it means. Numbers and names are the firm's own.
    pub enum BookAccount {
        /// Money at the bank.
        Bank = "bank",
        /// Lines of a bank statement that nobody has explained yet; zero in a clean month.
        Suspense = "suspense",
        /// Settled by the card processor and not yet paid out.
        Clearing = "clearing",
        /// Invoiced and not paid.
        Receivable = "receivable",
        /// Earned and not invoiced yet.
        Unbilled = "unbilled",
        /// Taken for nothing that was earned: owed back to clients (15 USC 1679b(b)).
        OwedToClients = "owed_to_clients",
        /// Money whose books are kept elsewhere.
        Elsewhere = "elsewhere",
        /// Fees earned.
        FeeRevenue = "fee_revenue",
        /// Refunds of earned fees and credits: less revenue.
        RefundsAndCredits = "refunds_and_credits",
        /// What the card processor keeps.
        ProcessorCosts = "processor_costs",
        /// What the bank charges.
        BankCosts = "bank_costs",
        /// Written off because a client's bank took the money back.
        ChargebackLosses = "chargeback_losses",
        /// Written off otherwise.
        BadDebt = "bad_debt",
    }
}

/// The side of the books an account is on, in the words of the AICPA's Audit Data Standard
/// (General Ledger, Chart_Of_Accounts, `Account_Type`).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AccountType {
    /// What the firm has.
    Assets,
    /// What it owes.
    Liabilities,
    /// What is the owners'.
    Equity,
    /// What it earns.
    Revenue,
    /// What it spends.
    Expenses,
}

impl AccountType {
    /// The standard's word.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Assets => "Assets",
            Self::Liabilities => "Liabilities",
            Self::Equity => "Equity",
            Self::Revenue => "Revenue",
            Self::Expenses => "Expenses",
        }
    }
}

impl BookAccount {
    /// The number it has until the firm renumbers it (common practice, no source: assets from 1000,
    /// liabilities 2000, equity 3000, revenue 4000, expenses 6000).
    pub const fn usual_number(self) -> &'static str {
        match self {
            Self::Bank => "1000",
            Self::Clearing => "1050",
            Self::Suspense => "1090",
            Self::Receivable => "1100",
            Self::Unbilled => "1150",
            Self::OwedToClients => "2000",
            Self::Elsewhere => "3900",
            Self::FeeRevenue => "4000",
            Self::RefundsAndCredits => "4900",
            Self::ProcessorCosts => "6000",
            Self::BankCosts => "6050",
            Self::ChargebackLosses => "6100",
            Self::BadDebt => "6150",
        }
    }

    /// The name it has until the firm gives it another.
    pub const fn usual_name(self) -> &'static str {
        match self {
            Self::Bank => "Bank",
            Self::Clearing => "Card processor clearing",
            Self::Suspense => "Suspense: bank lines not explained",
            Self::Receivable => "Receivable from clients",
            Self::Unbilled => "Earned, not invoiced",
            Self::OwedToClients => "Owed to clients",
            Self::Elsewhere => "Kept in other books",
            Self::FeeRevenue => "Fee revenue",
            Self::RefundsAndCredits => "Refunds and credits",
            Self::ProcessorCosts => "Card processor costs",
            Self::BankCosts => "Bank costs",
            Self::ChargebackLosses => "Chargeback losses",
            Self::BadDebt => "Bad debt",
        }
    }

    /// Its side of the books.
    pub const fn account_type(self) -> AccountType {
        match self {
            Self::Bank | Self::Suspense | Self::Clearing | Self::Receivable | Self::Unbilled => {
                AccountType::Assets
            }
            Self::OwedToClients => AccountType::Liabilities,
            Self::Elsewhere => AccountType::Equity,
            Self::FeeRevenue | Self::RefundsAndCredits => AccountType::Revenue,
            Self::ProcessorCosts | Self::BankCosts | Self::ChargebackLosses | Self::BadDebt => {
                AccountType::Expenses
            }
        }
    }
}

record! {
    /// What a firm calls one account of its books.
    pub struct ChartAccount {
        /// Which.
        account: BookAccount,
        /// The code its accountant knows it by, if that is another one.
        accountant_code: Option<AccountNumber>,
        /// Its name.
        name: Text,
        /// Its number.
        number: AccountNumber,
    }
}

record! {
    /// The chart of accounts has other numbers or names from now on. Entries name accounts by what
    /// they mean, so nothing posted changes.
    pub struct ChartRevised {
        /// The accounts that change.
        accounts: Vec<ChartAccount>,
    }
}

record! {
    /// The firm has an account at a bank. The day of the event is the one at whose beginning the opening balance
    /// stood there. Lines recorded under its code before are its lines.
    pub struct BankAccountDeclared {
        /// The firm's own code for it; no account number is kept.
        bank: BankCode,
        /// Its last day, if the firm closed it.
        closed_on: Option<CivilDate>,
        /// The last four digits of its number.
        last_four: Option<Text>,
        /// The account of the accountant's ledger that it is, if that has one for each account at a bank.
        ledger_account: Option<AccountNumber>,
        /// Its name.
        name: Text,
        /// What stood on it at the beginning of the day; below zero if it was overdrawn.
        opening: Money,
    }
}

record! {
    /// An account at a bank was declared wrongly. What is true is the declaration that follows. The day of the event is
    /// the one of the opening balance that is taken back.
    pub struct BankAccountTakenBack {
        /// The firm's own code for it.
        bank: BankCode,
        /// What is taken back.
        declared: EventRef,
        /// The opening balance that was declared.
        opening: Money,
    }
}

record! {
    /// A month was checked and closed: nothing dates into it any more. What is told later and belongs into it counts on
    /// the first day that is open, and names the day it happened.
    pub struct PeriodLocked {
        /// What a person accepted that stood in the way of it.
        accepted: Option<Vec<EventRef>>,
        /// The position up to which the books were checked.
        checked_at: u64,
        /// That what is told later and belongs into it counts on the first day that is open. Older events do not say so:
        /// it counts on the day on which it is told.
        first_open: Option<bool>,
        /// The last day of the month.
        through: CivilDate,
    }
}

codes! {
    /// What may stand in the way of closing a month, and be accepted by a person.
    pub enum CloseRule {
        /// Bank lines that nobody has explained.
        LinesOpen = "lines_open",
        /// Suspense is not zero. Of months closed before it was held against the lines that stand in it.
        Suspense = "suspense",
        /// Payouts of the processor that should have reached the bank.
        PayoutsLate = "payouts_late",
        /// Money of clients that should have reached the bank, and that no payout names.
        ClearingLate = "clearing_late",
        /// Fees that may be asked for and were not.
        FeesUnbilled = "fees_unbilled",
        /// What nothing allowed, and nobody gave back, put right or kept.
        ExposuresOpen = "exposures_open",
        /// Bank lines of accounts that nobody declared.
        BankUndeclared = "bank_undeclared",
        /// Declared accounts without a statement through the month's last day.
        StatementMissing = "statement_missing",
        /// Statements that do not continue the one before, or the declared opening balance.
        StatementBroken = "statement_broken",
        /// Lines that only the ledger knows, or only a statement.
        BankDiffers = "bank_differs",
    }
}

record! {
    /// A person accepted that something stands in the way of closing a month, as much of it as there was then.
    pub struct CloseAccepted {
        /// Its sum.
        amount: Money,
        /// How many there are.
        count: u64,
        /// SHA-256 of their names with their amounts, a line each, in the order of the lines: what comes later is not these.
        items: DocumentHash,
        /// Why. No place for personal data.
        reason: Text,
        /// What stands in the way.
        rule: CloseRule,
        /// The last day of the month.
        through: CivilDate,
    }
}

record! {
    /// A person accepts no more what was accepted for closing a month, which is open still.
    pub struct CloseAcceptanceWithdrawn {
        /// What was accepted.
        acceptance: EventRef,
        /// Why. No place for personal data.
        reason: Text,
        /// What stands in the way.
        rule: CloseRule,
        /// The last day of the month.
        through: CivilDate,
    }
}

codes! {
    /// What is matched without a person.
    pub enum AutomaticMatches {
        /// Nothing: a person confirms every match.
        Nothing = "nothing",
        /// What is named and adds up to the cent.
        Certain = "certain",
    }
}

record! {
    /// The firm decided what is matched without a person from now on. Until it decides, nothing is.
    pub struct MatchPolicySet {
        /// What.
        automatic: AutomaticMatches,
    }
}
