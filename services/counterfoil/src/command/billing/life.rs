//! The life of a claimed fee, step by step.

use api::v1;

use crate::out::Out;
use crate::table::Table;
use crate::words;

/// Shows a claimed fee with everything that became of it.
pub(super) fn show(claim: &v1::FeeClaim, out: &mut Out) -> anyhow::Result<()> {
    let position = claim.event.as_ref().map_or(0, |event| event.position);
    let days = format!(
        "{} through {}",
        words::day(claim.start_date.as_ref()),
        words::last_day(claim.end_date.as_ref())
    );
    let invoice = match words::id(&claim.invoice).as_str() {
        "" => String::new(),
        number => format!(", invoice {number}"),
    };
    let mut table = Table::new(&["on", "~what became of it", ">amount", ">event"]);
    for step in &claim.steps {
        table.row([
            words::day(step.occurred_on.as_ref()),
            what(step),
            words::amount_if_any(step.amount.as_ref()),
            step.event.as_ref().map_or(0, |event| event.position).to_string(),
        ]);
    }
    let amount = words::amount(claim.amount.as_ref());
    let title = format!(
        "Claim {position}: {amount} for period {}, {days}{invoice}: {}",
        claim.period,
        stands(claim)
    );
    out.section(&title, &table)?;
    Ok(())
}

/// How it stands today.
fn stands(claim: &v1::FeeClaim) -> String {
    let sums = [
        (&claim.given_back, "given back"),
        (&claim.owed, "owed to the client"),
        (&claim.kept, "kept by counsel's reason"),
    ];
    let sums = sums.into_iter().filter_map(|(amount, what)| {
        let amount = words::amount_if_any(amount.as_ref());
        (!amount.is_empty()).then(|| format!("{amount} {what}"))
    });
    let standing = match claim.standing() {
        v1::FeeStanding::Unspecified => String::new(),
        v1::FeeStanding::Allowed => "allowed".to_owned(),
        v1::FeeStanding::Unproved => "not proved".to_owned(),
        v1::FeeStanding::Exposed => {
            format!("{} not allowed", words::amount(claim.exposed.as_ref()))
        }
    };
    words::list(std::iter::once(standing).chain(sums))
}

fn what(step: &v1::FeeStep) -> String {
    let gates = || words::list(step.gates.iter().map(|&gate| words::gate(gate)));
    match step.r#type.as_str() {
        "fee_earned" => "claimed".to_owned(),
        "fee_marked" => match step.standing() {
            v1::FeeStanding::Unspecified | v1::FeeStanding::Allowed => {
                "found to be allowed".to_owned()
            }
            v1::FeeStanding::Unproved => format!("found to be unproved: {}", gates()),
            v1::FeeStanding::Exposed => {
                let owed = words::amount(step.owed.as_ref());
                format!("found to be not allowed: {}; {owed} owed to the client", gates())
            }
        },
        "fee_kept" if words::amount_if_any(step.amount.as_ref()).is_empty() => {
            format!("{} took the decision to keep money of it back", step.counsel)
        }
        "fee_kept" => {
            format!("kept by the reason of {} although closed: {}", step.counsel, gates())
        }
        "invoice_issued" => "asked for by the invoice".to_owned(),
        "charge_requested" => "asked for by a charge".to_owned(),
        "payment_settled" => "paid".to_owned(),
        "refund_requested" => "asked of the processor to give back".to_owned(),
        "refund_failed" => "not given back: the processor could not".to_owned(),
        "refund_issued" => "given back".to_owned(),
        "credit_granted" => "credited".to_owned(),
        "chargeback_opened" => "taken back by the client's bank".to_owned(),
        "chargeback_won" => "returned by the client's bank".to_owned(),
        "written_off" => "given up".to_owned(),
        "lines_shared" => {
            "its part of the invoice's money, by the days of what was told".to_owned()
        }
        "money_restated" => "its money, by the days of what was told".to_owned(),
        "money_corrected" => "put right: booked by mistake".to_owned(),
        other => other.replace('_', " "),
    }
}
