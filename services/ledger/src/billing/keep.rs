//! Counsel's reason to keep money of a fee: shown first, or recorded.

use api::FieldErrors;
use api::requests::{self, Asked};
use api::status::Failure;
use api::v1;
use domain::Halt;
use domain::command::{Command, FeeNamed};
use domain::ids::FirmId;
use domain::judge::{Judge, ToldFirst};

use super::before_asking;
use super::matter::OfFees;
use crate::access::Authority;
use crate::case_ledger::told_first;
use crate::evidence::is_uploaded;
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
    if let Some(document) = action.action.document
        && !is_uploaded(ledger, firm, case, document).await?
    {
        let rule = "must be the SHA-256 of a document of this client that was uploaded: upload it with Evidence.Upload, \
                    or with `counterfoil evidence add CLIENT FILE`";
        return Err(FieldErrors::one("document_sha256", rule).into());
    }
    let view = View::of_primary(ledger, authority);
    if message.validate_only {
        let matter = OfFees::read(&view, firm, case, 0).await?;
        let first = told_first(&view, (firm, &matter.firm), &matter.case).await?;
        let explanation = preview(ledger, authority, &asked, (&matter, named, &first))?;
        return Ok(v1::KeepFeeResponse { receipt: None, explanation });
    }
    // Counsel decides on what is known: what the firm told since may have closed another gate, or opened this one.
    before_asking(ledger, authority, firm).await?;
    let answer = ledger.submit(authority, asked, api::fingerprint(message)).await?;
    let matter = OfFees::read(&view, firm, case, answer.position).await?;
    let first = told_first(&view, (firm, &matter.firm), &matter.case).await?;
    let explanation = explained(firm, &matter.judge(&matter.accounts()), named, &first);
    Ok(v1::KeepFeeResponse { receipt: Some(receipt(&answer)), explanation })
}

/// The fee as it would be, decided and thrown away.
fn preview(
    ledger: &Ledger,
    authority: &Authority,
    asked: &Asked,
    (matter, named, first): (&OfFees, FeeNamed, &[ToldFirst]),
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
    Ok(explained(asked.firm, &matter.judge_in(&world, &accounts)?, named, first))
}

fn explained(
    firm: FirmId,
    judge: &Judge<'_>,
    named: FeeNamed,
    first: &[ToldFirst],
) -> Option<v1::FeeExplanation> {
    let judged = match named {
        FeeNamed::Period(number) => judge.fee_for(number),
        FeeNamed::Claimed(at) => judge.fees().find(|fee| fee.fee.mark.at.position == at),
    }?;
    Some(fee::claimed(firm, judge, &judged, judged.fee.period, first))
}
