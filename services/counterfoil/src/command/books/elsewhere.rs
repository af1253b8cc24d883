//! Whether a table is of another account of the firm's: its lines are told apart by the firm's own code for the account
//! alone, so under a second code the same money would be there twice.

use std::collections::BTreeSet;

use anyhow::Context as _;
use api::{name, v1};
use domain::ids::{BankCode, DepositId, DocumentHash};
use statement::table::{self, BankMapping};

use crate::connect::Session;
use crate::exit::Stop;
use crate::find::gather;
use crate::words;

/// A table, and the account it is said to be of.
pub(super) struct OfTable<'a> {
    pub(super) bytes: &'a [u8],
    pub(super) mapping: &'a BankMapping,
    pub(super) bank: &'a str,
}

impl OfTable<'_> {
    /// Refuses a table every line of which is recorded as one of another account.
    pub(super) async fn check_only_here(&self, session: &mut Session) -> anyhow::Result<()> {
        let (parent, at_least_position) = (session.firm()?, session.position);
        let request = v1::GetChartRequest { name: parent.clone(), at_least_position };
        let chart = session.books.get_chart(request).await?.into_inner();
        let others = chart.bank_accounts.iter().filter(|known| known.bank != self.bank);
        let others: Vec<BankCode> =
            others.map(|known| BankCode::parse(&known.bank)).collect::<Result<_, _>>()?;
        let own = table::bank(self.bytes, self.bank, self.mapping)?;
        let days = own.lines.iter().map(|line| line.booked_on);
        let (Some(first), Some(last)) = (days.clone().min(), days.max()) else { return Ok(()) };
        if others.is_empty() {
            return Ok(());
        }
        let filter = v1::ListDepositsRequest {
            parent,
            at_least_position,
            from: words::message(first),
            through: words::message(last),
            ..Default::default()
        };
        let recorded = gather(usize::MAX, async |page_size, page_token| {
            let request = v1::ListDepositsRequest { page_size, page_token, ..filter.clone() };
            let answer = session.books.list_deposits(request).await?.into_inner();
            Ok((answer.deposits, answer.next_page_token))
        });
        let recorded: BTreeSet<String> =
            recorded.await?.entries.into_iter().map(|deposit| deposit.name).collect();
        let firm = name::parse_firm(&filter.parent).context("the firm's name")?;
        for other in others {
            let lines = table::bank(self.bytes, other.as_str(), self.mapping)?.lines;
            let names = lines.iter().map(|line| {
                name::deposit(firm, DepositId::of_line(&other, &DocumentHash(line.hash)))
            });
            if names.clone().all(|name| recorded.contains(&name)) {
                return Err(self.refused(&other, names.count()));
            }
        }
        Ok(())
    }

    fn refused(&self, other: &BankCode, count: usize) -> anyhow::Error {
        Stop::refused(format!(
            "this file is recorded as one of {other}: all its {count} lines are. If it is of {}, take them back there first, \
             `books take-back`. If both accounts have just such lines, say so with --same-lines. Nothing was recorded.",
            self.bank
        ))
    }
}
