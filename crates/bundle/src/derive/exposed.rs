//! What stands behind claimed fees, and what of them is owed or kept, in sentences.

use domain::case::KeptFee;
use domain::gates::FeeStanding;
use domain::judge::{Judge, JudgedFee};

use super::Told;
use super::story::{and, day};

/// What stands behind a claimed fee, on what the bundle tells.
pub(super) fn stands(judged: &JudgedFee<'_>, judge: &Judge<'_>) -> String {
    let asked = asked(judged);
    let stands = match judged.standing {
        FeeStanding::Exposed => format!(
            "Nothing allowed {} of it, {asked} (15 USC 1679b(b)); {}.",
            judged.exposed,
            money(judged)
        ),
        FeeStanding::Allowed | FeeStanding::Unproved if judged.exposed.is_positive() => format!(
            "{} of it was above the price of its terms, {asked} (15 USC 1679b(b)); {}.",
            judged.exposed,
            money(judged)
        ),
        FeeStanding::Allowed => format!("On what is known now every gate held for it, {asked}."),
        FeeStanding::Unproved => format!("Nothing on record shows the right to it, {asked}."),
    };
    let held = judge.held_meanwhile(judged);
    if held.is_positive() {
        format!("{stands} {held} of it is open, and is not asked for until every gate holds.")
    } else {
        stands
    }
}

/// The day it was asked for, or judged on where no invoice asks for it.
fn asked(judged: &JudgedFee<'_>) -> String {
    let on = day(judged.asked_on);
    if judged.invoice.is_some() { format!("asked for on {on}") } else { format!("judged on {on}") }
}

/// A fee among what a firm is exposed by.
pub(super) fn of_fee(judged: &JudgedFee<'_>) -> String {
    let (period, claimed) = (judged.fee.period, day(judged.fee.mark.on));
    format!(
        "{}: nothing allowed {} of the fee of period {period}, claimed on {claimed} (15 USC 1679b(b)); {}.",
        day(judged.asked_on),
        judged.exposed,
        money(judged)
    )
}

fn money(judged: &JudgedFee<'_>) -> String {
    let mut parts =
        vec![format!("{} is owed to the client", judged.owed), format!("{} is open", judged.open)];
    if judged.given_back.is_positive() {
        parts.push(format!("{} was given back or credited", judged.given_back));
    }
    if judged.asked_back.is_positive() {
        parts.push(format!(
            "{} was asked of the processor and has not come back",
            judged.asked_back
        ));
    }
    if judged.kept.is_positive() {
        parts.push(format!("{} is kept by counsel's reason", judged.kept));
    }
    parts.join(", ")
}

/// Every decision to keep money of a fee, with its position.
pub(super) fn keepings(told: &Told<'_>, judged: &JudgedFee<'_>) -> Vec<(String, u64)> {
    let keepings = told.case.keepings_of(&judged.fee.mark.at);
    let sentence = |KeptFee { mark, said }: &KeptFee| {
        let (on, counsel) = (day(mark.on), said.counsel.as_str());
        let gates: Vec<String> = said.gates.iter().map(ToString::to_string).collect();
        if said.amount.is_zero() {
            return format!(
                "On {on} counsel ({counsel}) took back the decision to keep money of it."
            );
        }
        let (amount, exposed) = (said.amount, said.exposed);
        format!(
            "On {on} counsel ({counsel}) decided to keep {amount} of it, for a reason on record, when {} stood in the \
             way of {exposed}.",
            and(&gates)
        )
    };
    keepings.map(|kept| (sentence(kept), kept.mark.at.position)).collect()
}
