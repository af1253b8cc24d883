//! Traces for a collector that speaks OTLP over gRPC. Nothing of it exists unless it is asked for.

use std::net::IpAddr;
use std::time::Duration;

use anyhow::Context;
use opentelemetry::trace::TracerProvider;
use opentelemetry::{KeyValue, global};
use opentelemetry_otlp::{SpanExporter, WithExportConfig};
use opentelemetry_sdk::Resource;
use opentelemetry_sdk::propagation::TraceContextPropagator;
use opentelemetry_sdk::trace::{SdkTracer, SdkTracerProvider};
use tonic::transport::Uri;

use crate::exit::Stop;

/// What the service is called in traces.
const SERVICE: &str = "counterfoil";
/// How long one batch of spans may be on its way; a collector that is away costs its spans.
const EXPORT_TIMEOUT: Duration = Duration::from_secs(5);
/// How long the last spans may take at the end.
const FLUSH_TIMEOUT: Duration = Duration::from_secs(5);

/// Sends spans, until it is finished.
pub(crate) struct Traces(SdkTracerProvider);

impl Traces {
    /// Starts sending to a collector: inside a runtime.
    pub(crate) fn start(collector: &str, allow_plaintext: bool) -> anyhow::Result<Self> {
        check(collector, allow_plaintext)?;
        let exporter = SpanExporter::builder()
            .with_tonic()
            .with_endpoint(collector)
            .with_timeout(EXPORT_TIMEOUT)
            .build()
            .context("traces cannot be sent")?;
        let resource = Resource::builder_empty()
            .with_service_name(SERVICE)
            .with_attribute(KeyValue::new("service.version", env!("CARGO_PKG_VERSION")))
            .build();
        let provider =
            SdkTracerProvider::builder().with_batch_exporter(exporter).with_resource(resource);
        global::set_text_map_propagator(TraceContextPropagator::new());
        Ok(Self(provider.build()))
    }

    /// What makes spans of this program.
    pub(crate) fn tracer(&self) -> SdkTracer {
        self.0.tracer(SERVICE)
    }

    /// Sends what is left: outside the runtime, while it still runs.
    pub(crate) fn finish(self) {
        if let Err(error) = self.0.shutdown_with_timeout(FLUSH_TIMEOUT) {
            tracing::warn!(%error, "the last spans were not sent");
        }
    }
}

/// Refuses a collector that spans would reach over a network in the clear: they tell who asked for
/// what, and when.
fn check(collector: &str, allow_plaintext: bool) -> anyhow::Result<()> {
    let form = || Stop::usage("--traces must be a URL such as http://127.0.0.1:4317");
    let uri: Uri = collector.parse().map_err(|_| form())?;
    if uri.scheme_str() != Some("http") {
        return Err(form());
    }
    let host = uri.host().unwrap_or_default().trim_matches(['[', ']']);
    let is_here = host == "localhost" || host.parse().is_ok_and(|ip: IpAddr| ip.is_loopback());
    if is_here || allow_plaintext {
        return Ok(());
    }
    Err(Stop::usage(
        "--traces sends in the clear, so the collector must be on this machine; --allow-plaintext \
         allows another if the way to it is protected",
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_leave_the_machine_only_if_that_is_said() {
        for here in ["http://127.0.0.1:4317", "http://localhost:4317", "http://[::1]:4317"] {
            assert!(check(here, false).is_ok(), "{here}");
        }
        assert!(check("http://collector.example:4317", false).is_err());
        assert!(check("http://collector.example:4317", true).is_ok());
        for wrong in ["", "127.0.0.1:4317", "https://127.0.0.1:4317", "ftp://localhost"] {
            assert!(check(wrong, true).is_err(), "{wrong}");
        }
    }
}
