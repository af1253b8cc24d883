//! The package of a month for the accountant: CSV files, a workbook, and what every column means.

use std::fs;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use anyhow::Context;
use api::google::r#type::Money as MoneyMessage;
use api::v1;
use chrono::DateTime;
use clap::Args;
use domain::money::{Currency, Money};
use paper::package::{
    AGING, CHART, CONTROLS, DEPOSITS, DICTIONARY, File, GL_DETAIL, JournalRow, OPEN_RECEIVABLE,
    RECONCILIATION, REVENUE, TRIAL_BALANCE, dictionary, open_cells, trial_cells,
};
use paper::{Cell, Table, Workbook};

use super::month::{accepted_line, accepted_of};
use super::{Month, reconcile};
use crate::connect::{Session, patient};
use crate::exit::Exit;
use crate::find::gather;
use crate::newfile::{self, NewFolder};
use crate::out::Out;
use crate::words;

/// Which month, and where to.
#[derive(Args)]
pub(crate) struct PackageArgs {
    /// The month, YYYY-MM
    #[arg(value_name = "MONTH")]
    month: Month,
    /// The folder to make; it must not be there
    #[arg(long, value_name = "DIR")]
    to: PathBuf,
}

/// Writes the package of a month.
pub(super) async fn run(
    args: &PackageArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    write(args.month, &args.to, session).await?;
    if out.is_json() {
        out.value(&serde_json::json!({ "folder": args.to }))?;
    } else {
        out.line(format!("The package lies in {}.", args.to.display()))?;
    }
    Ok(Exit::Done)
}

/// Writes the package beside its place and puts it there when it is whole: no half of one is left.
pub(super) async fn write(month: Month, to: &Path, session: &mut Session) -> anyhow::Result<()> {
    // What is half-written helps nobody, and goes with the folder that has no name yet.
    let folder = NewFolder::beside(to)?;
    let mut writer = Writer::new(folder.path(), month, session.currency().await?);
    writer.all(session).await?;
    writer.finish()?;
    folder.keep()
}

struct Writer {
    folder: PathBuf,
    month: Month,
    currency: Currency,
    book: Workbook,
    file: Option<File<BufWriter<fs::File>>>,
}

impl Writer {
    fn new(folder: &Path, month: Month, currency: Currency) -> Self {
        let book = Workbook::default();
        Self { folder: folder.to_owned(), month, currency, book, file: None }
    }

    fn begin(&mut self, table: &Table) -> anyhow::Result<()> {
        self.end()?;
        let path = self.folder.join(format!("{}.csv", table.name));
        let file = newfile::create(&path)?;
        self.file = Some(File::begin(table, BufWriter::new(file))?);
        self.book.begin(table)?;
        Ok(())
    }

    fn row(&mut self, cells: &[Cell]) -> anyhow::Result<()> {
        if let Some(file) = &mut self.file {
            file.row(cells)?;
        }
        self.book.row(cells)?;
        Ok(())
    }

    fn end(&mut self) -> anyhow::Result<()> {
        if let Some(file) = self.file.take() {
            let file = file.finish()?.into_inner().context("a file of the package")?;
            file.sync_all().context("a file of the package")?;
        }
        Ok(())
    }

    fn finish(mut self) -> anyhow::Result<()> {
        self.end()?;
        let path = self.folder.join("Package.xlsx");
        Ok(self.book.finish(newfile::create(&path)?)?)
    }

    /// An amount; zero if there is none.
    fn read(&self, money: Option<&MoneyMessage>) -> anyhow::Result<Money> {
        words::money(money, self.currency)
    }

    fn amount(&self, money: Option<&MoneyMessage>) -> anyhow::Result<Cell> {
        self.read(money).map(Cell::Amount)
    }

    fn amount_if_any(&self, money: Option<&MoneyMessage>) -> anyhow::Result<Cell> {
        if money.is_some() { self.amount(money) } else { Ok(Cell::Empty) }
    }

    fn currency(&self) -> Cell {
        Cell::text(self.currency.as_str())
    }

    async fn all(&mut self, session: &mut Session) -> anyhow::Result<()> {
        let request =
            v1::GetChartRequest { name: session.firm()?, at_least_position: session.position };
        let chart = session.books.get_chart(request).await?.into_inner();
        let (debits, credits) = self.journal(&chart, session).await?;
        self.trial_balance(session).await?;
        self.chart(&chart)?;
        self.receivable(session).await?;
        self.deposits(session).await?;
        self.reconciliation(session).await?;
        self.revenue(session).await?;
        self.controls((debits, credits), session).await?;
        self.begin(&DICTIONARY)?;
        for row in dictionary() {
            self.row(&row)?;
        }
        Ok(())
    }

    /// The journal, page by page; its debits and credits.
    async fn journal(
        &mut self,
        chart: &v1::GetChartResponse,
        session: &mut Session,
    ) -> anyhow::Result<(i64, i64)> {
        self.begin(&GL_DETAIL)?;
        let (mut debits, mut credits) = (0, 0);
        let mut request = v1::ListJournalRequest {
            parent: session.firm()?,
            page_size: 500,
            at_least_position: session.position,
            from: words::message(self.month.first),
            through: words::message(self.month.last),
            ..Default::default()
        };
        loop {
            let page = session.books.list_journal(patient(request.clone())).await?.into_inner();
            for entry in &page.entries {
                for line in &entry.lines {
                    let minor = self.read(line.amount.as_ref())?.minor();
                    if minor < 0 {
                        credits -= minor;
                    } else {
                        debits += minor;
                    }
                    let row = self.journal_row(chart, entry, line)?;
                    self.row(&row)?;
                }
            }
            if page.next_page_token.is_empty() {
                return Ok((debits, credits));
            }
            request.page_token = page.next_page_token;
        }
    }

    fn journal_row(
        &self,
        chart: &v1::GetChartResponse,
        entry: &v1::JournalEntry,
        line: &v1::JournalLine,
    ) -> anyhow::Result<Vec<Cell>> {
        let named = chart.accounts.iter().find(|account| account.account == line.account);
        let told = entry
            .recorded_at
            .as_ref()
            .and_then(|at| DateTime::from_timestamp(at.seconds, u32::try_from(at.nanos).ok()?));
        let happened =
            entry.occurred_on.as_ref().filter(|day| Some(*day) != entry.posted_on.as_ref());
        let about = [&entry.deposit, &entry.reference].into_iter().find(|text| !text.is_empty());
        let row = JournalRow {
            number: entry.number,
            line: line.number,
            kind: entry.kind.clone(),
            meaning: words::book_account(line.account),
            posted_on: words::date(entry.posted_on.as_ref())?,
            happened_on: happened.map(|day| words::date(Some(day))).transpose()?,
            recorded_at: told,
            account: named.map(|account| account.number.clone()).unwrap_or_default(),
            amount: self.read(line.amount.as_ref())?,
            reverses: entry.reverses.clone(),
            client: words::id(&entry.account),
            invoice: words::id(&line.invoice),
            plan: line.plan.clone(),
            about: about.map(|name| words::id(name)).unwrap_or_default(),
        };
        Ok(row.cells())
    }

    async fn trial_balance(&mut self, session: &mut Session) -> anyhow::Result<()> {
        self.begin(&TRIAL_BALANCE)?;
        let request = v1::GetTrialBalanceRequest {
            parent: session.firm()?,
            from: words::message(self.month.first),
            through: words::message(self.month.last),
            at_least_position: session.position,
        };
        let trial = session.books.get_trial_balance(patient(request)).await?.into_inner();
        let last = self.month.last;
        for row in &trial.rows {
            let amounts = [
                self.read(row.opening.as_ref())?,
                self.read(row.debits.as_ref())?,
                self.read(row.credits.as_ref())?,
                self.read(row.closing.as_ref())?,
            ];
            self.row(&trial_cells((&row.number, last), amounts))?;
        }
        Ok(())
    }

    fn chart(&mut self, chart: &v1::GetChartResponse) -> anyhow::Result<()> {
        self.begin(&CHART)?;
        for account in &chart.accounts {
            self.row(&[
                Cell::text(&account.number),
                Cell::text(&account.display_name),
                Cell::text(words::book_account(account.account)),
                Cell::text(&account.account_type),
                Cell::Empty,
                Cell::Empty,
                Cell::Empty,
                Cell::text(&account.accountant_code),
            ])?;
        }
        Ok(())
    }

    /// What is open, by invoice and then by account: two tables of one list, which is kept meanwhile.
    async fn receivable(&mut self, session: &mut Session) -> anyhow::Result<()> {
        let filter = v1::ListAgingRequest {
            parent: session.firm()?,
            at_least_position: session.position,
            as_of: words::message(self.month.last),
            ..Default::default()
        };
        let accounts = gather(usize::MAX, async |page_size, page_token| {
            let request = v1::ListAgingRequest { page_size, page_token, ..filter.clone() };
            let answer = session.books.list_aging(patient(request)).await?.into_inner();
            Ok((answer.accounts, answer.next_page_token))
        });
        let accounts = accounts.await?.entries;
        self.begin(&OPEN_RECEIVABLE)?;
        for account in &accounts {
            for open in &account.invoices {
                let due_on = words::date(open.due_on.as_ref())?;
                let (client, invoice) = (words::id(&account.account), words::id(&open.invoice));
                let named = (client.as_str(), invoice.as_str());
                let balance = self.read(open.open.as_ref())?;
                self.row(&open_cells(named, (due_on, self.month.last), balance))?;
            }
        }
        self.begin(&AGING)?;
        for account in &accounts {
            let Some(amounts) = &account.amounts else { continue };
            let cells = [
                Cell::text(words::id(&account.account)),
                self.amount(amounts.current.as_ref())?,
                self.amount(amounts.days_1_to_30.as_ref())?,
                self.amount(amounts.days_31_to_60.as_ref())?,
                self.amount(amounts.days_61_to_90.as_ref())?,
                self.amount(amounts.over_90.as_ref())?,
                self.amount(amounts.total.as_ref())?,
                self.currency(),
            ];
            self.row(&cells)?;
        }
        Ok(())
    }

    async fn deposits(&mut self, session: &mut Session) -> anyhow::Result<()> {
        self.begin(&DEPOSITS)?;
        let filter = v1::ListDepositsRequest {
            parent: session.firm()?,
            at_least_position: session.position,
            from: words::message(self.month.first),
            through: words::message(self.month.last),
            ..Default::default()
        };
        let deposits = gather(usize::MAX, async |page_size, page_token| {
            let request = v1::ListDepositsRequest { page_size, page_token, ..filter.clone() };
            let answer = session.books.list_deposits(patient(request)).await?.into_inner();
            Ok((answer.deposits, answer.next_page_token))
        });
        let deposits = deposits.await?.entries;
        let lines = deposits.iter().filter(|d| d.state() != v1::DepositState::Payout);
        for deposit in lines {
            let count = i64::from(deposit.movement_count);
            let cells = [
                Cell::text(words::id(&deposit.name)),
                Cell::text(&deposit.bank),
                Cell::Day(words::date(deposit.booked_on.as_ref())?),
                self.amount(deposit.amount.as_ref())?,
                Cell::text(words::deposit_state(deposit.state)),
                if count == 0 { Cell::Empty } else { Cell::Number(count) },
                self.amount_if_any(deposit.gross.as_ref())?,
                self.amount_if_any(deposit.costs.as_ref())?,
                Cell::text(words::id(&deposit.matched_to)),
                Cell::text(words::purpose(deposit.purpose)),
                self.currency(),
            ];
            self.row(&cells)?;
        }
        Ok(())
    }

    async fn reconciliation(&mut self, session: &mut Session) -> anyhow::Result<()> {
        self.begin(&RECONCILIATION)?;
        let answer = reconcile::asked(self.month, "", session).await?;
        for row in reconcile::of_answer(&answer, self.month, session).await?.rows()? {
            let cells = [
                Cell::text(row.bank),
                row.on.map_or(Cell::Empty, Cell::Day),
                Cell::text(row.what),
                Cell::text(row.about),
                row.amount.map_or(Cell::Empty, Cell::Amount),
                self.currency(),
            ];
            self.row(&cells)?;
        }
        Ok(())
    }

    async fn revenue(&mut self, session: &mut Session) -> anyhow::Result<()> {
        self.begin(&REVENUE)?;
        let request = v1::GetRevenueByPlanRequest {
            parent: session.firm()?,
            from: words::message(self.month.first),
            through: words::message(self.month.last),
            at_least_position: session.position,
        };
        let answer = session.books.get_revenue_by_plan(patient(request)).await?.into_inner();
        for plan in &answer.plans {
            let cells = [
                Cell::text(&plan.plan),
                Cell::Number(plan.fees),
                self.amount(plan.amount.as_ref())?,
                self.currency(),
            ];
            self.row(&cells)?;
        }
        Ok(())
    }

    async fn controls(
        &mut self,
        (debits, credits): (i64, i64),
        session: &mut Session,
    ) -> anyhow::Result<()> {
        let request = v1::CheckMonthRequest {
            parent: session.firm()?,
            through: words::message(self.month.last),
            at_least_position: session.position,
        };
        let checked = session.books.check_month(patient(request)).await?.into_inner();
        let firm = session.registered().await?;
        self.begin(&CONTROLS)?;
        let currency = self.currency;
        let amount =
            |minor| Money::new(minor, currency).map(Cell::Amount).context("a sum of lines");
        let yes = |yes: bool| Cell::text(if yes { "yes" } else { "no" });
        let mut rows = vec![
            ("Firm", Cell::text(firm.display_name)),
            ("Month", Cell::text(self.month.last.format("%Y-%m").to_string())),
            ("Closed", yes(checked.closed)),
            ("Position of the log it was checked at", Cell::Number(checked.position)),
            ("Debits of GL_Detail", amount(debits)?),
            ("Credits of GL_Detail", amount(credits)?),
            ("Difference", amount(debits - credits)?),
            ("Exposures on record", Cell::Number(checked.exposures)),
        ];
        for block in &checked.blocks {
            let name = if block.accepted.is_some() {
                "In the way of a close, and accepted"
            } else {
                "In the way of a close"
            };
            rows.push((name, Cell::text(&block.detail)));
        }
        for accepted in accepted_of(&checked) {
            rows.push(("Accepted", Cell::text(accepted_line(accepted)?)));
        }
        for (name, value) in rows {
            self.row(&[Cell::text(name), value])?;
        }
        Ok(())
    }
}
