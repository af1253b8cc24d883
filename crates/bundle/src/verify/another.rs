//! What was taken back as another person's is opened to nobody again.

use std::collections::BTreeMap;

use serde_json::Value;

use crate::envelope::Envelope;
use crate::openings::Openings;

/// The readings of each fact that was corrected, by its position, up to the latest.
#[derive(Default)]
pub(super) struct OfAnother {
    readings: BTreeMap<u64, Vec<u64>>,
}

impl OfAnother {
    /// Takes the next event. What comes back is wrong: it says that a fact was another person's, and a value of a
    /// reading before it is opened here.
    pub(super) fn take(
        &mut self,
        envelope: &Envelope<'_>,
        openings: &Openings,
    ) -> Option<&'static str> {
        if envelope.event != "fact_corrected" {
            return None;
        }
        let payload: Value = serde_json::from_str(envelope.payload).ok()?;
        let fact = payload["fact"]["position"].as_u64()?;
        let readings = self.readings.entry(fact).or_insert_with(|| vec![fact]);
        let is_of_another = payload["about_another"] == true;
        let is_opened = is_of_another
            && readings.iter().any(|position| openings.of_event(*position).next().is_some());
        readings.push(envelope.position);
        is_opened
            .then_some("it was taken back as another person's, and a value of it is opened here")
    }
}
