//! Tables and reports, made from a bundle's events alone.
//!
//! Everything is told client by client, each from the folds that the ledger itself decides with, as it
//! stands after the last event, on the last day that any event of the bundle tells of. A fee that was
//! claimed is judged on all of it, as of each day on which it was asked for.

mod account;
mod case;
mod earlier;
mod exposed;
mod fees;
pub(crate) mod report;
mod story;
mod timeline;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use calendar::CivilDate;
use domain::State;
use domain::account::Account;
use domain::case::Case;
use domain::event::{
    AccountEvent, CaseEvent, Event, FeeEarned, FirmEvent, LineShare, LookEvent, Recorded, StreamId,
};
use domain::firm::Firm;
use domain::ids::{AccountId, CaseId};
use domain::judge::{Judge, Matter};
use domain::money::Money;
use domain::named::MovementName;
use domain::world::Impossible;
use proof::Hash;
use uuid::Uuid;

use crate::csv::Row;
use crate::index::Unread;
use crate::manifest::Format;
use crate::tables::{TABLES, at};
pub(crate) use timeline::row as timeline_row;

/// What the derivation of one client gives.
#[derive(Debug)]
pub(crate) struct Rows {
    /// How they are written.
    pub(crate) format: Format,
    /// Rows by table, in the order of [`TABLES`].
    pub(crate) tables: Vec<String>,
    /// Reports by case.
    pub(crate) reports: Vec<(CaseId, String)>,
    /// Lines that are not the events that their places call for; a line that two clients rest on comes
    /// twice.
    pub(crate) unread: Vec<Unread>,
    /// Clients of whom not everything is told.
    pub(crate) untold: Vec<Untold>,
    /// What does not hold, by position.
    pub(crate) faults: Vec<(u64, String)>,
    /// Fees that were earned.
    pub(crate) earned: Vec<Charge>,
    /// Lines of invoices, each with the number of its invoice.
    pub(crate) lines: Vec<(u64, Charge)>,
    /// Corrections that moved a payment, and the account to which.
    pub(crate) moved: Vec<(u64, AccountId)>,
    /// Payments, and their accounts.
    pub(crate) settled: Vec<(u64, AccountId)>,
    /// The processor's names for movements of money in force.
    pub(crate) names: Vec<Named>,
    /// Fees, and whether they name their agreement.
    pub(crate) agreements: Since,
    /// Money of invoices of several lines, and whether it names those.
    pub(crate) shares: Since,
}

/// What earlier software left out: nothing that leaves it out stands behind what says it.
#[derive(Clone, Debug, Default)]
pub(crate) struct Since {
    left_out: Vec<u64>,
    said_from: Option<u64>,
}

impl Since {
    /// Takes in the event at a position.
    pub(crate) fn note(&mut self, position: u64, is_said: bool) {
        if is_said {
            self.said_from = self.said_from.into_iter().chain([position]).min();
        } else {
            self.left_out.push(position);
        }
    }

    /// Takes in what was noted elsewhere.
    pub(crate) fn take(&mut self, other: &Self) {
        self.left_out.extend_from_slice(&other.left_out);
        self.said_from = self.said_from.into_iter().chain(other.said_from).min();
    }

    /// The positions at which it is left out although it was said before.
    pub(crate) fn too_late(&self) -> impl Iterator<Item = u64> + '_ {
        let is_late = |position: &u64| self.said_from.is_some_and(|first| first < *position);
        self.left_out.iter().copied().filter(is_late)
    }
}

/// Why not everything was told of a client: its rows and its page are not whole.
#[derive(Clone, Debug)]
pub(crate) struct Untold {
    pub(crate) client: Uuid,
    pub(crate) why: Why,
}

/// See [`Untold`].
#[derive(Clone, Debug)]
pub(crate) enum Why {
    /// An event cannot follow those before it.
    Impossible(Impossible),
    /// What the events tell could not be put together.
    Failed,
    /// There are more bytes of events than are held at once.
    TooMuch,
}

/// What one period of one case costs, as a fee or the line of an invoice says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Charge {
    pub(crate) case: CaseId,
    pub(crate) account: AccountId,
    pub(crate) period: u32,
    pub(crate) amount: Money,
    pub(crate) start: CivilDate,
    pub(crate) end: CivilDate,
    /// Where the fee or the invoice stands.
    pub(crate) position: u64,
}

/// A movement of money under the processor's name for it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Named {
    pub(crate) name: MovementName,
    pub(crate) position: u64,
    pub(crate) account: AccountId,
}

impl Rows {
    pub(crate) fn new(format: Format) -> Self {
        Self {
            format,
            tables: vec![String::new(); TABLES.len()],
            reports: Vec::new(),
            unread: Vec::new(),
            untold: Vec::new(),
            faults: Vec::new(),
            earned: Vec::new(),
            lines: Vec::new(),
            moved: Vec::new(),
            settled: Vec::new(),
            names: Vec::new(),
            agreements: Since::default(),
            shares: Since::default(),
        }
    }

    pub(crate) fn fault(&mut self, position: u64, what: impl Into<String>) {
        self.faults.push((position, what.into()));
    }
}

/// Beside the events, what every report states.
#[derive(Clone, Debug)]
pub(crate) struct Frame {
    /// How tables and reports are written.
    pub(crate) format: Format,
    /// The edition of the rules that fees are judged by.
    pub(crate) edition: u32,
    /// The last day that any event of the bundle tells of.
    pub(crate) as_of: CivilDate,
    /// The size of the log that the checkpoint states.
    pub(crate) size: u64,
    /// And its root.
    pub(crate) root: Hash,
    /// The latest opened name of each case's client.
    pub(crate) names: BTreeMap<CaseId, String>,
    /// For a part of a log: the cases that it tells of. Nothing where every case may be named.
    pub(crate) told_of: Option<BTreeSet<CaseId>>,
}

/// What tables call a couple's member whom the bundle does not tell of.
const OTHER_MEMBER: &str = "the other member";

impl Frame {
    /// A case as a table names it.
    fn case(&self, case: CaseId) -> String {
        match &self.told_of {
            Some(told_of) if !told_of.contains(&case) => OTHER_MEMBER.to_owned(),
            Some(_) | None => case.to_string(),
        }
    }
}

/// The firm as it stands at the end, and as fees were judged by it before.
pub(crate) struct FirmBook {
    /// What fees are judged by: each state of the firm would hold those before it once more.
    law: Vec<Recorded>,
    state: State,
}

impl Default for FirmBook {
    fn default() -> Self {
        Self { law: Vec::new(), state: State::empty(StreamId::Firm) }
    }
}

impl FirmBook {
    /// Folds the next event of the firm's stream.
    pub(crate) fn take(&mut self, recorded: &Recorded) -> Result<(), Impossible> {
        self.state.fold(recorded)?;
        // A review says by which edition of the rules fees are judged from then on.
        if let Event::Firm(event) = &recorded.event
            && (event.bears_on_fees() || matches!(event, FirmEvent::FeesReviewed(_)))
        {
            self.law.push(recorded.clone());
        }
        Ok(())
    }

    /// The firm before its first event.
    fn begin(&self) -> FirmThen<'_> {
        FirmThen { rest: self.law.iter(), state: State::empty(StreamId::Firm) }
    }

    pub(crate) fn last(&self) -> &Firm {
        match &self.state {
            State::Firm(firm) => firm,
            State::Case(_) | State::Account(_) | State::Deposit(_) | State::Looks(_) => {
                unreachable!("a firm's stream folds into a firm")
            }
        }
    }

    fn transit_days(&self) -> u16 {
        self.last().registered.as_ref().map_or(0, |firm| firm.transit_days)
    }
}

/// Who looked at what: one row for a look at a client, and for one of the firm one for each case, or its own
/// if it names none. Gives how many rows an event makes.
pub(crate) fn look(recorded: &Recorded, rows: &mut Rows) -> usize {
    let (kind, what, cases) = match (&recorded.event, recorded.stream) {
        (Event::Firm(FirmEvent::AccessUsed(used)), _) => {
            let cases: Vec<_> = used.cases.iter().copied().map(Some).collect();
            (used.kind, &used.what, if cases.is_empty() { vec![None] } else { cases })
        }
        (Event::Look(LookEvent::ClientLookedAt(looked)), StreamId::Looks(case)) => {
            (looked.kind, &looked.what, vec![Some(case)])
        }
        (
            Event::Case(_)
            | Event::Account(_)
            | Event::Deposit(_)
            | Event::Firm(_)
            | Event::Look(_),
            _,
        ) => return 0,
    };
    let out = &mut rows.tables[at::ACCESS];
    let what = format!("{kind} {what}");
    for case in &cases {
        Row::begin(out, rows.format)
            .plain(recorded.position)
            .plain(recorded.occurred_on)
            .text(recorded.actor.as_str())
            .maybe(*case)
            .text(&what)
            .end();
    }
    cases.len()
}

/// The firm as fees were judged by it at one position after another.
struct FirmThen<'a> {
    rest: std::slice::Iter<'a, Recorded>,
    state: State,
}

impl FirmThen<'_> {
    /// As it was before a position that lies behind those asked for so far.
    fn before(&mut self, position: u64) -> Result<&State, Impossible> {
        while let Some(recorded) = self.rest.as_slice().first()
            && recorded.position < position
        {
            self.rest.next();
            let stream_version = self.state.version() + 1;
            self.state.fold(&Recorded { stream_version, ..recorded.clone() })?;
        }
        Ok(&self.state)
    }
}

/// One client: a case, its account, and the accounts that paid in its stead.
pub(crate) struct Party {
    pub(crate) id: Uuid,
    pub(crate) case: Vec<Recorded>,
    pub(crate) accounts: BTreeMap<AccountId, Vec<Recorded>>,
}

impl Party {
    /// The accounts that the own account's payments were moved to.
    pub(crate) fn moved_to(own: &[Recorded]) -> impl Iterator<Item = AccountId> {
        own.iter().filter_map(|recorded| {
            let Event::Account(AccountEvent::PaymentMoved(e)) = &recorded.event else {
                return None;
            };
            Some(e.to)
        })
    }
}

/// A fee that was claimed.
struct Earned<'a> {
    recorded: &'a Recorded,
    fee: &'a FeeEarned,
    /// What of it the ledger cannot have recorded on what it knew then.
    wrong: Vec<String>,
}

/// What the ledger cannot have recorded on what it had marked of fees, or knew of them, then.
struct WrongMark<'a> {
    recorded: &'a Recorded,
    what: String,
}

/// A client folded.
struct Told<'a> {
    id: CaseId,
    /// As they were told.
    events: &'a [Recorded],
    /// With the readings in force in the places of facts that were corrected.
    in_force: &'a [Recorded],
    case: Case,
    accounts: BTreeMap<AccountId, Account>,
    /// In the order claimed, as the case knows them.
    earned: Vec<Earned<'a>>,
    wrong_marks: Vec<WrongMark<'a>>,
    firm: &'a FirmBook,
    frame: &'a Frame,
}

impl Told<'_> {
    /// The accounts on which the case's fees stand: first the one that pays at the end.
    fn payers(&self) -> Vec<(AccountId, &Account)> {
        let payer = fees::payer(self);
        let rest = self.accounts.iter().filter(|(id, _)| **id != payer);
        let first = self.accounts.get_key_value(&payer);
        first.into_iter().chain(rest).map(|(id, account)| (*id, account)).collect()
    }
}

/// Adds one client's rows and report, if its events fold.
pub(crate) fn tell(
    party: &Party,
    firm: &FirmBook,
    frame: &Frame,
    rows: &mut Rows,
) -> Result<(), Impossible> {
    let own = AccountId(party.id);
    let own_account = party.accounts.get(&own).map_or(&[][..], Vec::as_slice);
    let own_in_force = domain::event::money_in_force(own_account);
    // These rows need no fold, and stand whatever comes of it.
    account::payments(own, &own_in_force, rows);
    let in_force = domain::event::in_force(&party.case);
    let told = fold(party, &in_force, firm, frame)?;
    if !party.case.is_empty() {
        case::papers(&told, rows);
        case::letters(&told, rows);
        case::clocks(&told, rows);
        let payers = told.payers();
        let matter = Matter {
            id: told.id,
            case: &told.case,
            accounts: &payers,
            firm: told.firm.last(),
            today: told.frame.as_of,
        };
        let judge = Judge::of_edition(matter, told.frame.edition);
        if frame.format.judges_fees() {
            fees::rows(&told, &judge, rows);
        } else {
            earlier::rows(&told, rows);
        }
        let own = Own { told: own_account, in_force: &own_in_force };
        rows.reports.push((told.id, report::page(&told, own, &judge)));
    }
    case::exposures(&told, &own_in_force, rows);
    if let Some(account) = told.accounts.get(&own) {
        account::invoices(own, account, frame, rows);
    }
    Ok(())
}

/// The events of a client's own account.
#[derive(Clone, Copy)]
struct Own<'a> {
    /// As they were told.
    told: &'a [Recorded],
    /// Without what was taken back.
    in_force: &'a [Recorded],
}

/// A client as it stood before an event.
struct Then<'a> {
    id: CaseId,
    case: &'a Case,
    accounts: &'a BTreeMap<AccountId, State>,
    firm: &'a Firm,
}

impl Then<'_> {
    fn account(&self, id: AccountId) -> Option<&Account> {
        match self.accounts.get(&id)? {
            State::Account(account) => Some(account),
            State::Case(_) | State::Deposit(_) | State::Firm(_) | State::Looks(_) => None,
        }
    }
}

fn fold<'a>(
    party: &'a Party,
    in_force: &'a [Recorded],
    firm: &'a FirmBook,
    frame: &'a Frame,
) -> Result<Told<'a>, Impossible> {
    let id = CaseId(party.id);
    let mut all: Vec<&Recorded> =
        party.case.iter().chain(party.accounts.values().flatten()).collect();
    all.sort_by_key(|recorded| recorded.position);
    let mut case = State::empty(StreamId::Case(id));
    let mut accounts: BTreeMap<AccountId, State> = party
        .accounts
        .keys()
        .map(|account| (*account, State::empty(StreamId::Account(*account))))
        .collect();
    let (mut earned, mut wrong_marks) = (Vec::new(), Vec::new());
    let mut firm_then = firm.begin();
    for recorded in all {
        match recorded.stream {
            StreamId::Case(_) => {
                if let (State::Case(case), State::Firm(firm)) =
                    (&case, firm_then.before(recorded.position)?)
                {
                    let then = Then { id, case, accounts: &accounts, firm };
                    if let Event::Case(CaseEvent::FeeEarned(fee)) = &recorded.event {
                        let wrong = fees::unclaimable(&then, recorded, fee);
                        earned.push(Earned { recorded, fee, wrong });
                    } else if let Event::Case(CaseEvent::FeeMarked(mark)) = &recorded.event {
                        let wrong = fees::unmarkable(&then, recorded, mark);
                        wrong_marks.extend(wrong.map(|what| WrongMark { recorded, what }));
                    } else if let Event::Case(CaseEvent::FeeKept(kept)) = &recorded.event {
                        let wrong = fees::unkeepable(&then, recorded, kept);
                        wrong_marks.extend(wrong.map(|what| WrongMark { recorded, what }));
                    }
                }
                case.fold(recorded)?;
            }
            StreamId::Account(account) => {
                if let State::Case(case) = &case
                    && let Some(State::Account(account_then)) = accounts.get(&account)
                {
                    let shared = shares_of(&recorded.event);
                    if !shared.is_empty()
                        && let State::Firm(firm) = firm_then.before(recorded.position)?
                    {
                        let then = Then { id, case, accounts: &accounts, firm };
                        for lines in shared {
                            let wrong = fees::unshareable(&then, account, recorded, lines);
                            wrong_marks.extend(wrong.map(|what| WrongMark { recorded, what }));
                        }
                    }
                    let exposed = case.exposed_lines(id, account, account_then);
                    let wrong = account::otherwise_exposed(id, account_then, &exposed, recorded);
                    wrong_marks.extend(wrong.map(|what| WrongMark { recorded, what }));
                }
                if let Some(state) = accounts.get_mut(&account) {
                    state.fold(recorded)?;
                }
            }
            StreamId::Deposit(_) | StreamId::Firm | StreamId::Looks(_) => {}
        }
    }
    let case = match case {
        State::Case(case) => Arc::unwrap_or_clone(case),
        State::Account(_) | State::Deposit(_) | State::Firm(_) | State::Looks(_) => Case::default(),
    };
    let accounts = accounts.into_iter().filter_map(|(id, state)| match state {
        State::Account(account) => Some((id, Arc::unwrap_or_clone(account))),
        State::Case(_) | State::Deposit(_) | State::Firm(_) | State::Looks(_) => None,
    });
    let (events, accounts) = (party.case.as_slice(), accounts.collect());
    Ok(Told { id, events, in_force, case, accounts, earned, wrong_marks, firm, frame })
}

/// The invoices of which an event says what their lines share.
fn shares_of(event: &Event) -> Vec<(u64, &[LineShare])> {
    match event {
        Event::Account(AccountEvent::LinesShared(e)) => vec![(e.invoice, &e.lines)],
        Event::Account(AccountEvent::MoneyRestated(e)) => {
            e.invoices.iter().map(|of| (of.invoice, of.lines.as_slice())).collect()
        }
        Event::Account(_)
        | Event::Case(_)
        | Event::Deposit(_)
        | Event::Firm(_)
        | Event::Look(_) => Vec::new(),
    }
}

/// An amount without its currency: `49.99`.
fn decimal(amount: Money) -> String {
    amount.decimal().to_string()
}

impl Row<'_> {
    /// Two fields: an amount and its currency, both empty if there is nothing.
    fn money(self, amount: impl Into<Option<Money>>) -> Self {
        match amount.into() {
            Some(amount) => self.plain(decimal(amount)).plain(amount.currency().as_str()),
            None => self.empty().empty(),
        }
    }
}

/// The last day of a period whose first day after it is `end`.
fn last_day(end: CivilDate) -> CivilDate {
    end.pred_opt().unwrap_or(end)
}
