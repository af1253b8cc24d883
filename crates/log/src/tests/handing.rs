//! What the writer hands to the projection beside it.

use std::collections::BTreeSet;
use std::sync::Arc;

use domain::State;
use domain::world::World;

use super::support::{NOW, recorded};
use crate::handed::Handed;
use crate::settings::HANDED_EVENTS_MAX;

/// Hands events over, as a writer does that has their streams loaded.
fn put(handed: &Handed, positions: std::ops::RangeInclusive<u64>) {
    let events: Vec<_> = positions.map(|position| Arc::new(recorded(position, NOW))).collect();
    let mut world = World::new(events[0].firm, 0, 0);
    for event in &events {
        world.insert(event.stream, State::empty(event.stream));
    }
    handed.put(events, &world);
}

fn taken(handed: &Handed, after: u64, limit: usize) -> Vec<u64> {
    handed.take_after(after, limit).events.iter().map(|event| event.position).collect()
}

#[test]
fn what_is_handed_over_follows_on_without_a_gap_or_is_left_to_the_log() {
    let handed = Handed::default();
    put(&handed, 1..=3);
    assert_eq!(taken(&handed, 0, 9), [0; 0], "nobody here projects");
    handed.want(true);
    put(&handed, 4..=6);
    assert_eq!(taken(&handed, 0, 9), [0; 0], "the first three are missing");
    assert_eq!(taken(&handed, 3, 2), [4, 5]);
    put(&handed, 7..=8);
    assert_eq!(taken(&handed, 6, 9), [7, 8], "what the log has given is passed over");
    put(&handed, 9..=10);
    // Another process wrote the eleventh.
    put(&handed, 12..=13);
    assert_eq!(taken(&handed, 8, 9), [0; 0]);
    assert_eq!(taken(&handed, 11, 9), [12, 13]);
    put(&handed, 14..=14);
    handed.want(false);
    assert!(!handed.has_after(13), "another process projects");
}

#[test]
fn a_projection_that_is_far_behind_reads_the_log() {
    let handed = Handed::default();
    handed.want(true);
    let most = u64::try_from(HANDED_EVENTS_MAX).unwrap();
    put(&handed, 1..=most);
    assert!(handed.has_after(0));
    put(&handed, most + 1..=most + 1);
    assert!(!handed.has_after(0) && handed.has_after(most));
    put(&handed, most + 2..=2 * most + 2);
    assert!(!handed.has_after(most));
}

#[test]
fn streams_are_known_as_they_are_after_a_whole_batch_alone() {
    let handed = Handed::default();
    handed.want(true);
    put(&handed, 1..=3);
    put(&handed, 4..=6);
    let streams = |after: u64, limit: usize| {
        let taken = handed.take_after(after, limit);
        let of_events: BTreeSet<_> = taken.events.iter().map(|event| event.stream).collect();
        let known: BTreeSet<_> = taken.states.keys().copied().collect();
        (of_events, known)
    };
    let (_, known) = streams(0, 2);
    assert!(known.is_empty(), "the first batch goes on");
    let (of_events, known) = streams(2, 9);
    assert_eq!(of_events, known, "both batches end here");
}
