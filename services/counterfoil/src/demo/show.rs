//! What the firm's people would look at, printed.

use std::collections::BTreeMap;
use std::iter::once;
use std::path::Path;
use std::time::Duration;

use anyhow::{Context, bail, ensure};
use api::google::r#type::Money;
use api::{name, scalar, v1};
use calendar::Datelike;
use clap::Parser;
use domain::ids::CaseId;
use uuid::Uuid;

use super::play::{Month, Played};
use super::script::{Numbered, Script, request_id};
use crate::cli::{Cli, Global};
use crate::command;
use crate::connect::Session;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::find::gather;
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// Entries of a list that the demo shows.
const SHOWN: &str = "30";
/// Events read at a time.
const EVENTS_PAGE: i32 = 1_000;
/// The client whose fee is explained: enrolled by telephone, and proved six months later.
const EXPLAINED: (u128, i32) = (20, 3);
/// The client whose progress report was entered with a day of the cancellation days, and corrected.
const CORRECTED: (u128, i32) = (10, 1);
/// The client whose fee is asked for and refused: letters went out in the cancellation days.
const ASKED_TOO_SOON: (u128, i32) = (6, 1);
/// The client whose page is named for exploring.
const VISITED: u128 = 36;

/// The UUID of a client of the scenario, whose last group is the client's decimal number.
fn client(number: u128) -> CaseId {
    let text = format!("00000000-0000-7000-8000-{number:012}");
    CaseId(Uuid::try_parse(&text).expect("a UUID written out with digits"))
}

/// What is about to happen.
pub(super) fn opening(
    out: &mut Out,
    script: &Script,
    url: &str,
    keep: Option<&Path>,
) -> anyhow::Result<()> {
    out.line("Fourteen months of Lantern Lane Credit Services, a firm that does not exist")?;
    let file = keep
        .map_or_else(|| "a temporary SQLite file".to_owned(), |path| path.display().to_string());
    out.text(2, &format!(
        "The real server listens on {url}, with {file} behind it. Its clock is stepped from day to \
         day, {} through {}, always at noon; nothing else is simulated but the card processor, \
         whose answers the demo sends.",
        script.first_day, script.last_day,
    ))?;
    out.flush()?;
    Ok(())
}

/// Where to go from here.
pub(super) fn closing(out: &mut Out, script: &Script, keep: Option<&Path>) -> anyhow::Result<()> {
    out.heading("Explore it")?;
    let Some(path) = keep else {
        out.line("  The temporary file is gone. Keep one, and look around in it:")?;
        out.line("  counterfoil demo --keep demo.db")?;
        return finish(out);
    };
    let base = format!("counterfoil --database sqlite:{}", path.display());
    out.line(format!(
        "  It is all in {}. Say --as-of {}, the last day that was played:",
        path.display(),
        script.last_day
    ))?;
    for command in [
        "clients".to_owned(),
        format!("status {}", client(VISITED)),
        format!("due --as-of {}", script.last_day),
        format!("claimable --held --as-of {}", script.last_day),
        format!("explain {} {} --as-of {}", client(EXPLAINED.0), EXPLAINED.1, script.last_day),
        "invoices".to_owned(),
        "payment exposures".to_owned(),
        "follow".to_owned(),
        "verify".to_owned(),
    ] {
        out.line(format!("  {base} {command}"))?;
    }
    finish(out)
}

fn finish(out: &mut Out) -> anyhow::Result<()> {
    out.line("")?;
    out.line("Everybody and everything in it is invented.")?;
    out.line(words::CAUTION)?;
    Ok(())
}

/// Shows what was played.
pub(super) struct Show<'a> {
    /// The way to the service.
    pub(super) session: &'a mut Session,
    /// The same way, for commands that open it themselves.
    pub(super) global: &'a Global,
    /// Where it is printed.
    pub(super) out: &'a mut Out,
    /// What was played.
    pub(super) script: &'a Script,
}

impl Show<'_> {
    fn parent(&self) -> String {
        name::firm(self.script.firm)
    }

    /// How much was played, and month by month what came of it.
    pub(super) async fn summary(
        &mut self,
        played: &Played,
        elapsed: Duration,
    ) -> anyhow::Result<()> {
        let head = v1::GetHeadRequest { parent: self.parent() };
        self.session.position =
            self.session.administration.get_head(head).await?.into_inner().position;
        let events = u128::try_from(self.session.position).unwrap_or(0);
        let millis = elapsed.as_millis().max(1);
        self.out.heading("What was played")?;
        let requests = played.requests;
        self.out.line(format!(
            "  {requests} requests became {events} events in {}.{:02} s: {} events a second",
            millis / 1_000,
            millis % 1_000 / 10,
            events * 1_000 / millis,
        ))?;
        let changes = self.changes().await?;
        let mut table = Table::new(&[
            "month",
            ">requests",
            ">fees earned",
            ">held",
            ">invoices",
            ">invoiced",
            ">settled",
            ">deleted",
            ">came back",
        ]);
        let mut everything = Month::default();
        for (&(year, month), of) in &played.months {
            let (deleted, back) = changes.get(&(year, month)).copied().unwrap_or_default();
            table.row([
                format!("{year}-{month:02}"),
                of.requests.to_string(),
                of.fees_earned.to_string(),
                of.fees_held.to_string(),
                of.invoices.to_string(),
                words::sum(&of.invoiced)?,
                of.settled.to_string(),
                deleted.to_string(),
                back.to_string(),
            ]);
            everything.requests += of.requests;
            everything.fees_earned += of.fees_earned;
            everything.invoices += of.invoices;
            everything.settled += of.settled;
            everything.invoiced.extend(of.invoiced.iter().cloned());
        }
        let (deleted, back) = changes.values().fold((0, 0), |(d, b), (x, y)| (d + x, b + y));
        table.row([
            "all".to_owned(),
            everything.requests.to_string(),
            everything.fees_earned.to_string(),
            String::new(),
            everything.invoices.to_string(),
            words::sum(&everything.invoiced)?,
            everything.settled.to_string(),
            deleted.to_string(),
            back.to_string(),
        ]);
        self.out.table(&table, "")?;
        Ok(())
    }

    /// Listings deleted and listings that came back, by year and month.
    async fn changes(&mut self) -> anyhow::Result<BTreeMap<(i32, u32), (u64, u64)>> {
        let mut changes: BTreeMap<(i32, u32), (u64, u64)> = BTreeMap::new();
        let mut after_position = 0;
        loop {
            let request = v1::ReadEventsRequest {
                parent: self.parent(),
                after_position,
                page_size: EVENTS_PAGE,
                ..Default::default()
            };
            let page = self.session.cases.read_events(request).await?.into_inner().events;
            let Some(last) = page.last() else { return Ok(changes) };
            after_position = last.position;
            for event in &page {
                let counted = match event.r#type.as_str() {
                    "item_deleted" => (1, 0),
                    "item_reinserted" => (0, 1),
                    _ => continue,
                };
                let on = event.occurred_on.as_ref().context("an event without a day")?;
                let on = scalar::date(on).context("an event's day")?;
                let of = changes.entry((on.year(), on.month())).or_default();
                *of = (of.0 + counted.0, of.1 + counted.1);
            }
        }
    }

    /// Every page after the summary.
    pub(super) async fn everything(&mut self) -> anyhow::Result<()> {
        let last_day = self.script.last_day.to_string();
        self.command("Today's work", &["due", "--as-of", &last_day, "--limit", SHOWN]).await?;
        self.held().await?;
        let (number, period) = (client(EXPLAINED.0).to_string(), EXPLAINED.1.to_string());
        let heading = "One fee explained: enrolled by telephone, earned when a later report proved the results";
        self.command(heading, &["explain", &number, &period, "--as-of", &last_day]).await?;
        let (number, period) = (client(CORRECTED.0).to_string(), CORRECTED.1.to_string());
        let heading = "A fee that a slip of the pen exposed for a night, with the correction beside its gates";
        self.command(heading, &["explain", &number, &period, "--as-of", &last_day]).await?;
        self.refusal().await?;
        self.refusals().await?;
        self.invoices().await?;
        self.command("Exposures: what was done against a rule", &["payment", "exposures"]).await?;
        self.couples().await?;
        self.log().await
    }

    /// The log, read again and compared with its root.
    pub(super) async fn log(&mut self) -> anyhow::Result<()> {
        self.command("The log, read again from the first event", &["verify"]).await
    }

    /// Shows a command as anybody can give it, and its answer.
    async fn command(&mut self, heading: &str, words: &[&str]) -> anyhow::Result<()> {
        self.out.heading(heading)?;
        self.out.line(format!("$ counterfoil {}", words.join(" ")))?;
        let Cli { command, .. } =
            Cli::try_parse_from(once("counterfoil").chain(words.iter().copied()))?;
        let exit = Box::pin(command::run(command, self.global, self.out)).await?;
        ensure!(exit == Exit::Done, "the command ended otherwise than well");
        Ok(())
    }

    /// The periods that are over and not billed: how many each gate holds, and one of each.
    async fn held(&mut self) -> anyhow::Result<()> {
        let filter = v1::ListClaimableRequest {
            parent: self.parent(),
            at_least_position: self.session.position,
            as_of: words::message(self.script.last_day),
            ..Default::default()
        };
        let fees = gather(usize::MAX, async |page_size, page_token| {
            let request = v1::ListClaimableRequest { page_size, page_token, ..filter.clone() };
            let answer = self.session.billing.list_claimable(request).await?.into_inner();
            Ok((answer.fees, answer.next_page_token))
        });
        let fees = fees.await?.entries;
        let claimable = fees.iter().filter(|fee| fee.claimable).count();
        let mut gates: BTreeMap<i32, Vec<&v1::ClaimableFee>> = BTreeMap::new();
        for fee in &fees {
            for finding in fee.findings.iter().filter(|finding| !finding.holds) {
                gates.entry(finding.gate).or_default().push(fee);
            }
        }
        self.out.heading("Periods that are over and not billed")?;
        self.out.line(format!(
            "  {claimable} claimable, {} held. By gate, with one example each:",
            fees.len() - claimable
        ))?;
        let mut table =
            Table::new(&["held by", ">periods", "client", ">period", ">fee", "~because", "~rule"]);
        for (gate, held) in gates {
            let Some(fee) = held.iter().min_by_key(|fee| fee.findings.len()) else { continue };
            let Some(finding) = fee.findings.iter().find(|finding| finding.gate == gate) else {
                continue;
            };
            table.row([
                words::gate(gate),
                held.len().to_string(),
                short(&fee.case),
                fee.period.to_string(),
                words::amount(fee.amount.as_ref()),
                finding.because.clone(),
                finding.citation.clone(),
            ]);
        }
        self.out.table(&table, "  Nothing is held.")?;
        Ok(())
    }

    /// A fee that nobody can ask for, asked for.
    async fn refusal(&mut self) -> anyhow::Result<()> {
        let (number, period) = ASKED_TOO_SOON;
        self.out.heading("One refusal in full: letters went out in the cancellation days, and the fee is asked for")?;
        let request = v1::ClaimFeeRequest {
            name: name::case(self.script.firm, client(number)),
            request_id: request_id(Numbered::Refused, 0),
            period,
            as_of: words::message(self.script.last_day),
        };
        match self.session.billing.claim_fee(request).await {
            Ok(_) => bail!("a fee was claimed that gate G3 has to hold"),
            Err(status) => {
                for line in Fault::of_status(&status).lines() {
                    self.out.text(2, &line)?;
                }
            }
        }
        Ok(())
    }

    /// Requests that the service has to refuse.
    async fn refusals(&mut self) -> anyhow::Result<()> {
        self.out.heading("What else is refused")?;
        let mut table = Table::new(&["~what was tried", "reason", "~what the service says"]);
        for refused in &self.script.refused {
            let fault = refused.send(self.session).await?;
            let says: Vec<&str> = fault.violations.iter().map(|(_, text)| text.as_str()).collect();
            let says = if says.is_empty() { fault.message.clone() } else { says.join("; ") };
            table.row([refused.why.clone(), fault.reason, says]);
        }
        self.out.table(&table, "")?;
        Ok(())
    }

    /// Invoices by state, and those of the last month.
    async fn invoices(&mut self) -> anyhow::Result<()> {
        let filter = v1::ListInvoicesRequest {
            parent: self.parent(),
            at_least_position: self.session.position,
            ..Default::default()
        };
        let invoices = gather(usize::MAX, async |page_size, page_token| {
            let request = v1::ListInvoicesRequest { page_size, page_token, ..filter.clone() };
            let answer = self.session.accounts.list_invoices(request).await?.into_inner();
            Ok((answer.invoices, answer.next_page_token))
        });
        let invoices = invoices.await?.entries;
        self.out.heading("Invoices")?;
        self.out.table(&by_state(&invoices)?, "")?;
        self.out.line("")?;
        self.out.line("Of the last run, whose charges go out tomorrow:")?;
        let last_day = scalar::date_message(self.script.last_day);
        let mut table = Table::new(&[">invoice", "account", "~for", ">total", ">open"]);
        for invoice in invoices.iter().filter(|invoice| invoice.issued_on == Some(last_day)) {
            table.row([
                invoice.number.to_string(),
                short(&invoice.account),
                words::list(
                    invoice
                        .lines
                        .iter()
                        .map(|line| format!("client {} period {}", short(&line.case), line.period)),
                ),
                words::amount(invoice.total.as_ref()),
                words::amount(invoice.open.as_ref()),
            ]);
        }
        self.out.table(&table, "None.")?;
        Ok(())
    }

    /// Who pays together, and who may.
    async fn couples(&mut self) -> anyhow::Result<()> {
        let (parent, at_least_position) = (self.parent(), self.session.position);
        let accounts = gather(usize::MAX, async |page_size, page_token| {
            let request = v1::ListAccountsRequest {
                parent: parent.clone(),
                page_size,
                page_token,
                at_least_position,
                with_open_amount: false,
            };
            let answer = self.session.accounts.list_accounts(request).await?.into_inner();
            Ok((answer.accounts, answer.next_page_token))
        });
        let accounts = accounts.await?.entries;
        let mut table = Table::new(&["pays", "with", "linked by", ">open"]);
        for account in accounts.iter().filter(|account| !account.member.is_empty()) {
            table.row([
                short(&account.owner),
                short(&account.member),
                words::linked_by(account.linked_by),
                words::amount(account.open_amount.as_ref()),
            ]);
        }
        self.out.section("Couples who pay as one", &table)?;
        self.command("Couples that wait for a person's word", &["couples"]).await
    }
}

/// How many invoices stand where, with their sums.
fn by_state(invoices: &[v1::Invoice]) -> anyhow::Result<Table> {
    let mut states: BTreeMap<i32, Vec<&v1::Invoice>> = BTreeMap::new();
    for invoice in invoices {
        states.entry(invoice.state).or_default().push(invoice);
    }
    let mut table = Table::new(&[
        "state",
        ">invoices",
        ">total",
        ">paid",
        ">credited",
        ">written off",
        ">open",
    ]);
    let mut add = |state: String, of: &[&v1::Invoice]| -> anyhow::Result<()> {
        let column = |pick: fn(&v1::Invoice) -> Option<&Money>| {
            words::sum(of.iter().filter_map(|invoice| pick(invoice)))
        };
        table.row([
            state,
            of.len().to_string(),
            column(|invoice| invoice.total.as_ref())?,
            column(|invoice| invoice.paid.as_ref())?,
            column(|invoice| invoice.credited.as_ref())?,
            column(|invoice| invoice.written_off.as_ref())?,
            column(|invoice| invoice.open.as_ref())?,
        ]);
        Ok(())
    };
    for (state, of) in &states {
        add(words::invoice_state(*state), of)?;
    }
    add("all".to_owned(), &invoices.iter().collect::<Vec<_>>())?;
    Ok(table)
}

/// The end of a client's UUID, which is the client's number in the narrative.
fn short(resource: &str) -> String {
    let id = words::id(resource);
    let number = id.rsplit('-').next().unwrap_or(&id).trim_start_matches('0');
    number.to_owned()
}
