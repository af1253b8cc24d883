//! `books`.

mod account;
mod bank;
mod elsewhere;
mod import;
mod month;
mod package;
mod propose;
mod reconcile;
mod show;
mod statement;

use std::str::FromStr;

use calendar::{CivilDate, add_months_clamped};
use clap::{Args, Subcommand};

use crate::connect::Session;
use crate::exit::Exit;
use crate::out::Out;

/// The books.
#[derive(Subcommand)]
pub(crate) enum BooksCommand {
    /// Show the chart of accounts, the last closed month, and what is matched without a person
    Chart,
    /// List a month's entries
    Journal(show::JournalArgs),
    /// Sum every account over a month
    TrialBalance(MonthArgs),
    /// Sum the fees earned in a month, less what was taken off as not allowed, by plan
    Revenue(MonthArgs),
    /// List the months: earned, collected, given back, open, owed to clients, at risk
    Months(show::MonthsArgs),
    /// List what clients owe as of a day, by age
    Aging(show::AgingArgs),
    /// Show a client's statement of account, or write it as a page
    Statement(statement::StatementArgs),
    /// List bank lines and payouts
    Deposits(bank::DepositsArgs),
    /// List payments, refunds and chargebacks on their way to a bank line
    Movements(bank::MovementsArgs),
    /// Declare an account at a bank, with the balance on it at the beginning of a day; `books chart` lists them
    BankAccount(account::AccountArgs),
    /// Record a bank statement: camt.053, or CSV with a mapping
    ImportBank(import::BankArgs),
    /// Record what the card processor says of its payouts: CSV with a mapping
    ImportPayouts(import::PayoutArgs),
    /// Say what stands behind a bank line, to the cent; without a line, propose what may
    Match(bank::MatchArgs),
    /// Say that something does not stand behind a bank line: it is not proposed again
    Refuse(bank::RefuseArgs),
    /// Decide what is matched without a person; `books chart` shows what is in force
    Policy(bank::PolicyArgs),
    /// Take a match back
    Unmatch(bank::LineArgs),
    /// Say what a bank line is that no payment stands behind
    Book(bank::BookArgs),
    /// Take back what was said of a bank line
    Unbook(bank::LineArgs),
    /// Take back a bank line, a statement or a payout that was recorded by mistake; with a statement go the lines that no
    /// other one has
    TakeBack(account::TakeBackArgs),
    /// Reconcile accounts at banks at the end of a month: from the balance per statement to the balance per ledger, item by
    /// item
    Reconcile(reconcile::ReconcileArgs),
    /// Check whether a month can be closed, and change nothing
    Check(MonthArgs),
    /// Accept something that stands in the way of closing a month, with a reason that its package prints
    Accept(month::AcceptArgs),
    /// Accept no more what was accepted of a month that is open still
    Withdraw(month::AcceptArgs),
    /// Check a month and close it: nothing is dated into it any more
    Close(month::CloseArgs),
    /// Write a month for the accountant: CSV files with the names of the AICPA's Audit Data Standards,
    /// and a workbook
    Package(package::PackageArgs),
}

/// Which month.
#[derive(Args)]
pub(crate) struct MonthArgs {
    /// The month, YYYY-MM
    #[arg(value_name = "MONTH")]
    month: Month,
}

/// A month of the calendar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Month {
    /// Its first day.
    first: CivilDate,
    /// Its last day.
    last: CivilDate,
}

impl FromStr for Month {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let refused = || "must be a month, YYYY-MM".to_owned();
        let first: CivilDate = format!("{text}-01").parse().map_err(|_| refused())?;
        if first.to_string() != format!("{text}-01") {
            return Err(refused());
        }
        let last = add_months_clamped(first, 1).pred_opt().ok_or_else(refused)?;
        Ok(Self { first, last })
    }
}

/// Runs a command about the books.
pub(crate) async fn run(
    command: BooksCommand,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    match command {
        BooksCommand::Chart => show::chart(session, out).await,
        BooksCommand::Journal(args) => show::journal(&args, session, out).await,
        BooksCommand::TrialBalance(args) => show::trial_balance(&args, session, out).await,
        BooksCommand::Revenue(args) => show::revenue(&args, session, out).await,
        BooksCommand::Months(args) => show::months(&args, session, out).await,
        BooksCommand::Aging(args) => show::aging(&args, session, out).await,
        BooksCommand::Statement(args) => statement::run(&args, session, out).await,
        BooksCommand::Deposits(args) => bank::deposits(&args, session, out).await,
        BooksCommand::Movements(args) => bank::movements(&args, session, out).await,
        BooksCommand::ImportBank(args) => import::bank(&args, session, out).await,
        BooksCommand::ImportPayouts(args) => import::payouts(&args, session, out).await,
        BooksCommand::Match(args) if args.line.is_none() => {
            propose::run(args.auto, session, out).await
        }
        BooksCommand::Match(args) => bank::match_line(&args, session, out).await,
        BooksCommand::Refuse(args) => bank::refuse(&args, session, out).await,
        BooksCommand::Policy(args) => bank::policy(&args, session, out).await,
        BooksCommand::Unmatch(args) => bank::unmatch(&args, session, out).await,
        BooksCommand::Book(args) => bank::book(&args, session, out).await,
        BooksCommand::Unbook(args) => bank::unbook(&args, session, out).await,
        BooksCommand::BankAccount(args) => account::declare(&args, session, out).await,
        BooksCommand::TakeBack(args) => account::take_back(&args, session, out).await,
        BooksCommand::Reconcile(args) => reconcile::run(&args, session, out).await,
        BooksCommand::Check(args) => month::check(&args, session, out).await,
        BooksCommand::Accept(args) => month::accept(&args, session, out).await,
        BooksCommand::Withdraw(args) => month::withdraw(&args, session, out).await,
        BooksCommand::Close(args) => month::close(&args, session, out).await,
        BooksCommand::Package(args) => package::run(&args, session, out).await,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_month_has_its_first_and_last_day() {
        let days = |text: &str| {
            text.parse::<Month>().map(|month| (month.first.to_string(), month.last.to_string()))
        };
        let pair = |first: &str, last: &str| Ok((first.to_owned(), last.to_owned()));
        assert_eq!(days("2024-02"), pair("2024-02-01", "2024-02-29"));
        assert_eq!(days("2026-12"), pair("2026-12-01", "2026-12-31"));
        for wrong in ["2026", "2026-13", "2026-2", "2026-02-03", "", "26-02"] {
            assert!(days(wrong).is_err(), "{wrong}");
        }
    }
}
