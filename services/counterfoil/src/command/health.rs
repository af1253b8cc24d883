//! `health`.

use std::path::Path;
use std::time::Duration;

use anyhow::Context;
use tokio::time::timeout;
use tonic::Request;
use tonic_health::pb::HealthCheckRequest;
use tonic_health::pb::health_check_response::ServingStatus;
use tonic_health::pb::health_client::HealthClient;

use crate::cli::Global;
use crate::connect::dial;
use crate::exit::{Exit, Stop};
use crate::out::Out;

/// Where a server listens if nothing else is said.
const DEFAULT_SERVER: &str = "http://127.0.0.1:7411";
/// How long the answer may take: whoever asks is a probe.
const TIMEOUT: Duration = Duration::from_secs(3);

/// Asks a server whether it serves, as whoever balances load does. It needs no token.
pub(crate) async fn run(global: &Global, out: &mut Out) -> anyhow::Result<Exit> {
    let url = global.server.as_deref().unwrap_or(DEFAULT_SERVER);
    // The whole of it: a server that takes the connection and says nothing is not healthy either.
    let asked = timeout(TIMEOUT, ask(url, global.ca.as_deref())).await;
    let silent = || Stop::unavailable(format!("the service at {url} does not answer in time"));
    if asked.map_err(|_| silent())?? != ServingStatus::Serving {
        return Err(Stop::unavailable(format!("the service at {url} takes no more requests")));
    }
    out.note("serving")?;
    Ok(Exit::Done)
}

async fn ask(url: &str, ca: Option<&Path>) -> anyhow::Result<ServingStatus> {
    let channel = dial(url, ca).await?;
    let request = Request::new(HealthCheckRequest::default());
    let answer = HealthClient::new(channel).check(request).await.context("it does not answer")?;
    Ok(answer.into_inner().status())
}
