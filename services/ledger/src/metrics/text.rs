//! The figures as OpenMetrics text, <https://github.com/prometheus/OpenMetrics>.

use std::fmt::Error;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use log::{Activity, Counted};
use prometheus_client::collector::Collector;
use prometheus_client::encoding::{
    DescriptorEncoder, EncodeCounterValue, EncodeGaugeValue, MetricEncoder, NoLabelSet, text,
};
use prometheus_client::metrics::MetricType;
use prometheus_client::metrics::exemplar::Exemplar;
use prometheus_client::registry::{Registry, Unit};

use super::facts::{Facts, FirmFacts};
use crate::ledger::Ledger;
use crate::quota::Kind;

/// What every name begins with.
const PREFIX: &str = "counterfoil";

/// The figures of now.
pub(super) async fn render(ledger: &Ledger) -> Result<String, Error> {
    let facts = ledger.metrics().recent.facts(ledger).await;
    let mut registry = Registry::with_prefix(PREFIX);
    registry.register_collector(Box::new(Figures { ledger: ledger.clone(), facts }));
    let mut out = String::new();
    text::encode(&mut out, &registry)?;
    Ok(out)
}

struct Figures {
    ledger: Ledger,
    facts: Arc<Facts>,
}

impl std::fmt::Debug for Figures {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Figures")
    }
}

impl Collector for Figures {
    fn encode(&self, encoder: DescriptorEncoder) -> Result<(), Error> {
        let mut page = Page(encoder);
        self.process(&mut page)?;
        self.requests(&mut page)?;
        self.recording(&mut page)?;
        self.projecting(&mut page)?;
        self.firms(&mut page)
    }
}

impl Figures {
    fn process(&self, page: &mut Page) -> Result<(), Error> {
        let engine = self.ledger.store().kind().code();
        let build = [("version", env!("CARGO_PKG_VERSION")), ("engine", engine)];
        page.descriptor("build", "What runs here", None, MetricType::Info)?
            .encode_info(&build.as_slice())?;
        let uptime = self.ledger.metrics().started.elapsed().as_secs_f64();
        page.descriptor(
            "uptime",
            "Since the service began",
            Some(&Unit::Seconds),
            MetricType::Gauge,
        )?
        .encode_gauge(&uptime)?;
        let reachable = u64::from(self.facts.reachable);
        page.gauge("database_reachable", "1 if the store answered just now", reachable)?;
        let pools = self.ledger.store().pools();
        let help = "Connections that somebody holds";
        let in_use = pools.iter().map(|pool| (pool.name, pool.in_use));
        page.gauges("pool_connections", help, None, "pool", in_use)?;
        let help = "Connections there may be";
        let most = pools.iter().map(|pool| (pool.name, pool.most));
        page.gauges("pool_connections_limit", help, None, "pool", most)?;
        let help = "Rows of the read models and events of the log";
        page.counter("rows_read", help, self.ledger.store().rows_read())
    }

    fn requests(&self, page: &mut Page) -> Result<(), Error> {
        let requests = &self.ledger.metrics().requests;
        let mut family =
            page.descriptor("requests", "Answered, by RPC and code", None, MetricType::Counter)?;
        for route in requests.read() {
            for (code, count) in &route.ended {
                let labels = [("rpc", route.name), ("code", *code)];
                count_in(&mut family.encode_family(&labels)?, count)?;
            }
        }
        let help = "From a request to the end of its answer";
        let mut family =
            page.descriptor("request", help, Some(&Unit::Seconds), MetricType::Histogram)?;
        for route in requests.read() {
            let labels = [("rpc", route.name)];
            times(&mut family.encode_family(&labels)?, &route.time)?;
        }
        let stats = self.ledger.engine().stats();
        let help = "Turned away for want of room: too many at once, or a firm's queue full";
        let shed = [("requests", &requests.shed), ("queue", &stats.overloaded)];
        page.counters(
            "requests_shed",
            help,
            "limit",
            shed.map(|(limit, count)| (limit, read(count))),
        )?;
        let help = "Logins that were refused, by reason";
        page.counters("logins_refused", help, "reason", self.ledger.metrics().logins.counts())?;
        let follows = self.ledger.quotas().held(Kind::Follow);
        page.gauge("follow_streams", "Open Follow streams of tokens", follows)?;
        let connections = self.ledger.connections();
        page.gauge("connections", "Open now", connections.open())?;
        let help = "Not taken, or closed before their callers wanted it, by reason";
        page.counters("connections_turned_away", help, "reason", connections.ended())?;
        let help = "Times that the system let no connection in, as at the limit of open files";
        page.counter("accept_failures", help, read(&connections.not_accepted))
    }

    fn recording(&self, page: &mut Page) -> Result<(), Error> {
        let stats = self.ledger.engine().stats();
        let help = "From the submission of a command to its answer from a commit";
        page.time("append", help, &stats.append_time.read())?;
        page.time("commit", "Of a transaction, decisions included", &stats.commit_time.read())?;
        page.sizes("batch_commands", "Commands of a transaction", &stats.batch_commands.read())?;
        page.sizes("batch_events", "Events of a transaction", &stats.batch_events.read())?;
        let refused = stats.refused().map(|(reason, count)| (reason.code(), count));
        page.counters("refusals", "New refusals, by reason", "reason", refused)?;
        for (name, help, count) in [
            ("commands", "Answered from a commit", &stats.commands),
            ("events", "Committed", &stats.events),
            ("replays", "Requests given their first answer again", &stats.replays),
            ("request_ids_reused", "Requests under an id used for another", &stats.reused),
            ("commit_retries", "Transactions tried again", &stats.retries),
            ("commits_unlocked", "Transactions decided without the lock", &stats.unlocked),
            (
                "commits_unlocked_lost",
                "Decisions without the lock that were void and made again under it",
                &stats.unlocked_lost,
            ),
            (
                "outcomes_unknown",
                "Commits whose outcome had to be looked up",
                &stats.outcomes_unknown,
            ),
            (
                "verification_findings",
                "Logs found not to be what was written",
                &self.ledger.metrics().findings,
            ),
        ] {
            page.counter(name, help, read(count))?;
        }
        let limit = self.ledger.engine().queue_depth_max();
        let limit = u64::try_from(limit).unwrap_or(u64::MAX);
        page.gauge("writer_queue_limit", "Requests that may wait for one firm's writer", limit)?;
        let queued = |active: &Activity| u64::try_from(active.queued).unwrap_or(u64::MAX);
        let activity = self.ledger.engine().activity();
        let help = "Requests that wait for the firm's writer";
        page.firms("writer_queue", help, activity.iter().map(|a| (a.firm, queued(a))))
    }

    fn projecting(&self, page: &mut Page) -> Result<(), Error> {
        let stats = self.ledger.engine().stats();
        page.counter("projected_events", "Taken into the read models", read(&stats.projected))?;
        let help = "Steps of the read models that failed";
        page.counter("projection_failures", help, read(&stats.projection_failures))?;
        let activity = self.ledger.engine().activity();
        let help = "1 if this process projects the firm";
        page.firms(
            "projection_leader",
            help,
            activity.iter().map(|a| (a.firm, u64::from(a.leads))),
        )?;
        let help = "1 if an event that cannot be read has stopped the read models";
        page.firms(
            "projection_stopped",
            help,
            activity.iter().map(|a| (a.firm, u64::from(a.stopped))),
        )
    }

    fn firms(&self, page: &mut Page) -> Result<(), Error> {
        if let Some(firms) = self.facts.firms {
            page.gauge("firms", "That have a log", firms)?;
        }
        let each = &self.facts.each;
        let help = "The last position of the log";
        page.firms("head_position", help, each.iter().map(|f| (f.firm, f.head)))?;
        let help = "The last position in the read models";
        page.firms("projection_position", help, each.iter().map(|f| (f.firm, f.applied)))?;
        let help = "Events that are not in the read models";
        let lag = |f: &FirmFacts| f.head.saturating_sub(f.applied);
        page.firms("projection_lag_events", help, each.iter().map(|f| (f.firm, lag(f))))?;
        let help = "How long the oldest event that is not in the read models has been recorded";
        let behind = each.iter().map(|f| (f.firm.to_string(), f.behind.as_secs_f64()));
        page.gauges("projection_lag", help, Some(&Unit::Seconds), "firm", behind)?;
        let help = "Statutory clocks whose last day is over; told by the process that leads";
        let overdue = each.iter().filter_map(|f| Some((f.firm, f.overdue?)));
        page.firms("clocks_overdue", help, overdue)
    }
}

fn read(count: &AtomicU64) -> u64 {
    count.load(Ordering::Relaxed)
}

/// Nothing here has an example beside its number.
const NO_EXEMPLAR: Option<&Exemplar<NoLabelSet, f64>> = None;

fn count_in(metric: &mut MetricEncoder, count: &impl EncodeCounterValue) -> Result<(), Error> {
    metric.encode_counter(count, NO_EXEMPLAR)
}

/// A histogram of microseconds, in seconds.
fn times(metric: &mut MetricEncoder, counted: &Counted) -> Result<(), Error> {
    histogram(metric, counted, |micros| Duration::from_micros(micros).as_secs_f64())
}

fn histogram(
    metric: &mut MetricEncoder,
    counted: &Counted,
    unit: impl Fn(u64) -> f64,
) -> Result<(), Error> {
    let bound = |bound: Option<u64>| bound.map_or(f64::INFINITY, &unit);
    let buckets: Vec<_> =
        counted.buckets.iter().map(|(upper, count)| (bound(*upper), *count)).collect();
    metric.encode_histogram::<NoLabelSet>(unit(counted.sum), counted.count(), &buckets, None)
}

/// The page being written.
struct Page<'a>(DescriptorEncoder<'a>);

impl Page<'_> {
    fn descriptor<'s>(
        &'s mut self,
        name: &'s str,
        help: &str,
        unit: Option<&'s Unit>,
        kind: MetricType,
    ) -> Result<MetricEncoder<'s>, Error> {
        self.0.encode_descriptor(name, help, unit, kind)
    }

    fn counter(&mut self, name: &str, help: &str, count: u64) -> Result<(), Error> {
        count_in(&mut self.descriptor(name, help, None, MetricType::Counter)?, &count)
    }

    fn counters<'l>(
        &mut self,
        name: &str,
        help: &str,
        label: &str,
        counts: impl IntoIterator<Item = (&'l str, u64)>,
    ) -> Result<(), Error> {
        let mut family = self.descriptor(name, help, None, MetricType::Counter)?;
        for (value, count) in counts {
            let labels = [(label, value)];
            count_in(&mut family.encode_family(&labels)?, &count)?;
        }
        Ok(())
    }

    fn gauge(&mut self, name: &str, help: &str, value: u64) -> Result<(), Error> {
        self.descriptor(name, help, None, MetricType::Gauge)?.encode_gauge(&value)
    }

    fn gauges(
        &mut self,
        name: &str,
        help: &str,
        unit: Option<&Unit>,
        label: &str,
        values: impl IntoIterator<Item = (impl AsRef<str>, impl EncodeGaugeValue)>,
    ) -> Result<(), Error> {
        let mut family = self.descriptor(name, help, unit, MetricType::Gauge)?;
        for (of, value) in values {
            let labels = [(label, of.as_ref())];
            family.encode_family(&labels)?.encode_gauge(&value)?;
        }
        Ok(())
    }

    fn firms(
        &mut self,
        name: &str,
        help: &str,
        values: impl IntoIterator<Item = (domain::ids::FirmId, u64)>,
    ) -> Result<(), Error> {
        let values = values.into_iter().map(|(firm, value)| (firm.to_string(), value));
        self.gauges(name, help, None, "firm", values)
    }

    fn time(&mut self, name: &str, help: &str, counted: &Counted) -> Result<(), Error> {
        let unit = Some(&Unit::Seconds);
        times(&mut self.descriptor(name, help, unit, MetricType::Histogram)?, counted)
    }

    fn sizes(&mut self, name: &str, help: &str, counted: &Counted) -> Result<(), Error> {
        let count = |size| f64::from(u32::try_from(size).unwrap_or(u32::MAX));
        histogram(&mut self.descriptor(name, help, None, MetricType::Histogram)?, counted, count)
    }
}
