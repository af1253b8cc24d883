//! A case as its facts were told before any was corrected, to see which corrections changed what a gate answers.

use api::status::Failure;
use domain::case::Case;
use domain::firm::Firm;
use domain::ids::FirmId;
use domain::judge::ToldFirst;

use crate::reading::View;

/// The case and its firm without the corrections of each fact that may bear on a gate. Nothing is read of a case of
/// which nothing was corrected: a firm keeps what was taken out of it.
pub(crate) async fn told_first(
    view: &View<'_>,
    (id, firm): (FirmId, &Firm),
    case: &Case,
) -> Result<Vec<ToldFirst>, Failure> {
    let mut facts = Vec::new();
    for position in case.corrected_facts() {
        let found = view.event_at(id, position).await?;
        facts.push(found.ok_or(Failure::Corrupt { position })?);
    }
    Ok(case.told_first(&facts, firm))
}
