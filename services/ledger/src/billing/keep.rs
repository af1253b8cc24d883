//! Counsel's reason to keep money of a fee: shown first, or recorded.

use api::requests::{self, Asked};
use api::status::Failure;
use api::v1;
use domain::Halt;
use domain::command::{Command, FeeNamed};
use domain::ids::FirmId;
use domain::judge::Judge;

use super::matter::OfFees;
use crate::access::Authority;
use crate::ledger::{Ledger, receipt};
use crate::present::fee;
use crate::reading::View;
use crate::trial;

pub(super) async fn keep_fee(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::KeepFeeRequest,
) -> Result<v1::KeepFeeResponse, Failure> {
    ledger.check_name(authority, &message.name).await?;
    let currency = ledger.currency(&message.name).await?;
    let asked = requests::keep_fee(message, currency)?;
    let Command::KeepFee { case, action } = &asked.command else {
        return Err(Failure::internal("what is asked for is to keep a fee"));
    };
    let (firm, case, named) = (asked.firm, *case, action.action.fee);
    let view = View::of_primary(ledger, authority);
    if message.validate_only {
        let matter = OfFees::read(&view, firm, case, 0).await?;
        let explanation = preview(ledger, authority, &asked, (&matter, named))?;
        return Ok(v1::KeepFeeResponse { receipt: None, explanation });
    }
    let answer = ledger.submit(authority, asked, api::fingerprint(message)).await?;
    let matter = OfFees::read(&view, firm, case, answer.position).await?;
    let explanation = explained(firm, &matter.judge(&matter.accounts()), named);
    Ok(v1::KeepFeeResponse { receipt: Some(receipt(&answer)), explanation })
}

/// The fee as it would be, decided and thrown away.
fn preview(
    ledger: &Ledger,
    authority: &Authority,
    asked: &Asked,
    (matter, named): (&OfFees, FeeNamed),
) -> Result<Option<v1::FeeExplanation>, Failure> {
    let mut world = matter.world(asked.firm);
    trial::decide(ledger, authority, asked.request_id, &mut world, &asked.command).map_err(
        |halt| match halt {
            Halt::Refused(refusal) => Failure::Refused(refusal),
            Halt::Need(_) | Halt::Unnamed => {
                Failure::internal("all that keeping a fee looks at was loaded")
            }
        },
    )?;
    let accounts = matter.accounts();
    Ok(explained(asked.firm, &matter.judge_in(&world, &accounts)?, named))
}

fn explained(firm: FirmId, judge: &Judge<'_>, named: FeeNamed) -> Option<v1::FeeExplanation> {
    let judged = match named {
        FeeNamed::Period(number) => judge.fee_for(number),
        FeeNamed::Claimed(at) => judge.fees().find(|fee| fee.fee.mark.at.position == at),
    }?;
    Some(fee::claimed(firm, judge, &judged, judged.fee.period))
}
