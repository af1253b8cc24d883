//! Following a log from any position.

use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use async_trait::async_trait;
use domain::ids::FirmId;
use futures::StreamExt as _;

use super::support::*;
use crate::{FollowError, Followed, History, LogStore as _, Settings, Stored};

/// Reads until the follower has been told that it has everything up to `position`.
async fn read_until(
    stream: &mut (impl futures::Stream<Item = Result<Followed, FollowError>> + Unpin),
    position: u64,
) -> Vec<u64> {
    let mut seen = Vec::new();
    loop {
        match stream.next().await.unwrap().unwrap() {
            Followed::Events(page) => seen.extend(page.iter().map(|stored| stored.position)),
            Followed::CaughtUp { position: at } if at >= position => return seen,
            Followed::CaughtUp { .. } => {}
        }
    }
}

#[tokio::test]
async fn a_slow_reader_gets_everything_once() {
    let settings = Settings { follow_page: 7, ..Settings::default() };
    let bench = open_bench(settings).await;
    let mut slow = Box::pin(bench.engine.follow(FIRM, 0));
    let mut seen = Vec::new();
    for id in 10..110 {
        bench.submit(id, bureau(id)).await.unwrap();
        if id % 10 == 0
            && let Some(Ok(Followed::Events(page))) = slow.next().await
        {
            assert!(page.len() <= 7, "one page is held");
            seen.extend(page.iter().map(|stored| stored.position));
        }
    }
    seen.extend(read_until(&mut slow, 102).await);
    assert_eq!(seen, (1..=102).collect::<Vec<_>>());
}

#[tokio::test]
async fn a_follower_goes_on_from_its_own_position_and_then_lives() {
    let bench = open_bench(Settings::default()).await;
    let mut follower = Box::pin(bench.engine.follow(FIRM, 1));
    assert_eq!(read_until(&mut follower, 2).await, [2]);
    let (seen, _) = tokio::join!(read_until(&mut follower, 3), bench.submit(10, bureau(10)));
    assert_eq!(seen, [3]);
}

#[tokio::test(start_paused = true)]
async fn what_another_process_writes_is_found_by_looking() {
    let bench = open_bench(Settings::default()).await;
    let mut follower = Box::pin(bench.engine.follow(FIRM, 0));
    assert_eq!(read_until(&mut follower, 2).await, [1, 2]);
    let other = engine_over(&bench.store, Settings::default());
    other.submit(FIRM, submission(10, bureau(10))).await.unwrap();
    assert_eq!(read_until(&mut follower, 3).await, [3]);
}

#[tokio::test]
async fn followers_end_with_the_service() {
    let bench = open_bench(Settings::default()).await;
    let mut follower = Box::pin(bench.engine.follow(FIRM, 0));
    read_until(&mut follower, 2).await;
    let (last, ended) = tokio::join!(follower.next(), bench.engine.shutdown(PATIENCE));
    assert!(ended && matches!(last, Some(Err(FollowError::ShuttingDown))));
    assert!(follower.next().await.is_none());
}

/// The beginning of the log, or another one.
struct Past {
    pages: Vec<Stored>,
    asked: AtomicUsize,
}

#[async_trait]
impl History for Past {
    async fn page(&self, _: FirmId, after: u64, limit: usize) -> Option<Vec<Stored>> {
        self.asked.fetch_add(1, Ordering::Relaxed);
        let page = self.pages.iter().filter(|event| event.position > after).take(limit);
        Some(page.cloned().collect())
    }
}

/// Follows from the start with a past, and gives the events up to the end, and how often it was asked.
async fn followed_with(bench: &Bench, pages: Vec<Stored>) -> (Vec<Stored>, usize) {
    let past = Arc::new(Past { pages, asked: AtomicUsize::new(0) });
    let history: Arc<dyn History> = past.clone();
    let mut followed = pin!(bench.engine.follow_through(FIRM, 0, Some(history)));
    let mut all = Vec::new();
    loop {
        match followed.next().await.unwrap().unwrap() {
            Followed::Events(events) => all.extend(events),
            Followed::CaughtUp { position } => {
                assert_eq!(position, bench.position().await);
                return (all, past.asked.load(Ordering::Relaxed));
            }
        }
    }
}

#[tokio::test]
async fn the_past_may_come_from_elsewhere_and_the_end_never_does() {
    let bench = open_bench(Settings { follow_page: 4, ..Settings::default() }).await;
    for number in 0..10 {
        bench.submit(100 + number, bureau(number)).await.unwrap();
    }
    let log = bench.store.read(FIRM, 0, 100).await.unwrap();
    // Some of it, none, and all of it.
    for known in [8, 0, log.len()] {
        let (all, asked) = followed_with(&bench, log[..known].to_vec()).await;
        assert_eq!(all, log, "{known} from elsewhere");
        assert!(asked > 0);
    }
    // A page with a gap is not taken.
    let gap = log.iter().filter(|event| event.position != 2).cloned().collect();
    assert_eq!(followed_with(&bench, gap).await.0, log);
}
