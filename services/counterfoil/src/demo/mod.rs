//! `demo`: fourteen months of an invented firm, played through the real server.
//!
//! The files are in `demo/` beside the sources: `firm.json`, `scenario.jsonl` and `refused.jsonl`
//! are built in, `narrative.md` tells who is who.

mod play;
mod script;
mod server;
mod show;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

use anyhow::Context;
use calendar::Zone;
use clap::Args;
use domain::event::UtcMicros;
use log::SteppedClock;

use crate::cli::Global;
use crate::connect::{Missing, Session};
use crate::exit::Stop;
use crate::out::Out;
use play::{Desk, Player};
use script::Script;
use server::{Holder, Server};
use show::Show;

/// The zone of the invented firm, as its registration has it.
const ZONE: &str = "America/Chicago";

/// How the demo is played.
#[derive(Args)]
pub(crate) struct DemoArgs {
    /// Keep the database here, to explore it afterwards; there must be no such file yet
    #[arg(long, value_name = "PATH")]
    keep: Option<PathBuf>,
    /// Only what was played and whether the log is sound
    #[arg(long)]
    brief: bool,
}

/// Plays the scenario and shows what the firm's people would look at. Fails if the service refuses
/// anything that it should record, or records anything that it should refuse.
pub(crate) async fn run(args: DemoArgs) -> anyhow::Result<()> {
    if let Some(path) = args.keep.as_ref().filter(|path| path.exists()) {
        let path = path.display();
        return Err(Stop::usage(format!("{path} is there already; the demo makes a new file")));
    }
    let mut script = Script::read().context("the demo's files")?;
    let zone = Zone::parse(ZONE).context("the firm's time zone")?;
    let clock = Arc::new(SteppedClock::at(UtcMicros(zone.start_of_day(script.first_day))));
    let folder = tempfile::tempdir().context("cannot make a temporary folder")?;
    let database = args.keep.clone().unwrap_or_else(|| folder.path().join("demo.db"));
    let server = Server::start(&database, &folder.path().join("outbox"), clock.clone()).await?;
    let mut out = Out::new(false, false);
    show::opening(&mut out, &script, &server.url(), args.keep.as_deref())?;
    let started = Instant::now();
    let mut player = Player::new(&mut script, clock, zone);
    let (global, mut session) = play(&mut player, &server).await?;
    let (played, elapsed) = (player.played, started.elapsed());
    let mut show = Show { session: &mut session, global: &global, out: &mut out, script: &script };
    show.summary(&played, elapsed).await?;
    if args.brief {
        show.log().await?;
    } else {
        show.everything().await?;
    }
    session.close().await;
    server.stop().await?;
    show::closing(&mut out, &script, args.keep.as_deref())?;
    out.flush()?;
    Ok(())
}

/// Plays every day, with one token after the other: none lasts for fourteen months.
async fn play(player: &mut Player<'_>, server: &Server) -> anyhow::Result<(Global, Session)> {
    player.step_to(player.next_day);
    server.register(player.script).await?;
    let mut number = 0;
    loop {
        player.step_to(player.next_day);
        let (on, script) = (player.next_day, &*player.script);
        let token = server.token(script, Holder::Desk, number, on).await?;
        let corrector = server.token(script, Holder::Corrector, number + 1, on).await?;
        let mut desk = Desk {
            session: Session::open(&token.global, None, Missing::Refuse).await?,
            corrector: Session::open(&corrector.global, None, Missing::Refuse).await?,
        };
        player.play_through(&mut desk, token.last_day).await?;
        desk.corrector.close().await;
        if player.next_day > player.script.last_day {
            return Ok((token.global, desk.session));
        }
        desk.session.close().await;
        number += 2;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use api::{name, v1};

    /// The whole scenario through the real server: every line is recorded, what has to be refused
    /// is refused for its reason, and the log is sound.
    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn the_scenario_plays_to_its_end() {
        let mut script = Script::read().unwrap();
        let zone = Zone::parse(ZONE).unwrap();
        let clock = Arc::new(SteppedClock::at(UtcMicros(zone.start_of_day(script.first_day))));
        let folder = tempfile::tempdir().unwrap();
        let database = folder.path().join("demo.db");
        let server =
            Server::start(&database, &folder.path().join("outbox"), clock.clone()).await.unwrap();
        let mut player = Player::new(&mut script, clock, zone);
        let (_, mut session) = play(&mut player, &server).await.unwrap();
        for refused in &script.refused {
            refused.send(&mut session).await.unwrap();
        }
        let parent = name::firm(script.firm);
        let exposures = v1::ListExposuresRequest { parent: parent.clone(), ..Default::default() };
        let exposures =
            session.accounts.list_exposures(exposures).await.unwrap().into_inner().exposures;
        // The agreement of a client in Georgia, where the trade is not allowed.
        let is_signing = |of: &&v1::Exposure| of.kind() == v1::ExposureKind::SignedAgainstLaw;
        let signings: Vec<_> = exposures.iter().filter(is_signing).collect();
        let [signing] = signings.as_slice() else { panic!("{signings:?}") };
        assert!(signing.details[0].starts_with("the trade is not allowed in GA"), "{signing:?}");
        // The work of clients in California in the gap between two bonds (Cal. Civ. Code 1789.18).
        let is_unsecured = |of: &&v1::Exposure| of.kind() == v1::ExposureKind::WorkUnsecured;
        let unsecured: Vec<_> = exposures.iter().filter(is_unsecured).collect();
        let in_gap = |of: &&v1::Exposure| of.details.iter().any(|detail| detail.contains("CA"));
        assert!(!unsecured.is_empty() && unsecured.iter().all(in_gap), "{unsecured:?}");
        let others = exposures.iter().filter(|of| !is_signing(of) && !is_unsecured(of));
        let kinds: Vec<_> = others.map(v1::Exposure::kind).collect();
        let fee = v1::ExposureKind::FeeAskedUnearned;
        let others = [v1::ExposureKind::EarlyService, v1::ExposureKind::PaymentUnearned];
        // Letters of an agreement that was cancelled in its days, as its postmark showed later.
        let cancelled = [fee, fee, v1::ExposureKind::NoAgreement];
        assert_eq!(kinds, [&others[..], &cancelled, &[fee, fee]].concat());
        let request = v1::VerifyLogRequest { parent, checkpoint: None };
        let verified = session.administration.verify_log(request).await;
        let mut verified = verified.unwrap().into_inner();
        let mut sound = None;
        while let Some(message) = verified.message().await.unwrap() {
            if let Some(v1::verify_log_response::Message::Report(report)) = message.message {
                sound = Some(report.sound);
            }
        }
        assert_eq!(sound, Some(true));
        session.close().await;
        server.stop().await.unwrap();
    }
}
