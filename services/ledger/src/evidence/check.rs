//! `CheckEvidence`: holding what is stored against what events name and what was uploaded.

use std::collections::{BTreeMap, BTreeSet};

use api::scalar::int64;
use api::status::Failure;
use api::{name, v1};
use domain::event::{Event, Recorded, StreamId};
use domain::ids::{CaseId, DocumentHash, FirmId};
use domain::media::MediaType;
use store::EvidenceRow;
use v1::check_evidence_response::Message;
use vault::{Altered, BlobKeys, BlobName, BlobStore, StoredBlob, sealed_len};

use super::rows::{hash_of, rows_of};
use super::sweep::owners_of_rows;
use super::{aside, count, kept, stored_bytes_max, unavailable};
use crate::answers::{Answers, Outgoing, answers_of};
use crate::ledger::Ledger;

/// Events read at a time.
const EVENTS_PAGE: usize = 1_000;
/// Most documents that the events of one firm may name for a check to remember them all.
const DOCUMENTS_MAX: usize = 4_000_000;

/// Checks, telling as it goes. It goes no further than the messages that its caller takes.
pub(super) fn open(
    ledger: &Ledger,
    firm: FirmId,
) -> Result<Answers<v1::CheckEvidenceResponse>, Failure> {
    kept(ledger)?;
    Ok(answers_of(ledger, async move |ledger: Ledger, outgoing| {
        let report = check(&ledger, firm, &outgoing).await?;
        // A caller who has left does not want it.
        let _ = outgoing.send(Ok(told(Message::Report(report)))).await;
        Ok(())
    }))
}

fn told(message: Message) -> v1::CheckEvidenceResponse {
    v1::CheckEvidenceResponse { message: Some(message) }
}

/// Documents that events name, with the first that does.
type Named = BTreeMap<DocumentHash, u64>;
/// How long each blob of a case is.
type Stored = BTreeMap<BlobName, u64>;

async fn check(
    ledger: &Ledger,
    firm: FirmId,
    outgoing: &Outgoing<v1::CheckEvidenceResponse>,
) -> Result<v1::EvidenceReport, Failure> {
    let store = kept(ledger)?;
    let (position, mut named) = named_by_events(ledger, firm).await?;
    let stored = store.people(firm.0).await.map_err(|error| unavailable(&error))?;
    let mut cases: BTreeSet<CaseId> = stored.into_iter().map(CaseId).collect();
    cases.extend(owners_of_rows(ledger, firm).await?);
    cases.extend(named.keys());
    let mut report = v1::EvidenceReport { position: int64(position), ..Default::default() };
    let total = int64(u64::try_from(cases.len()).unwrap_or(u64::MAX));
    for (case, checked_cases) in cases.into_iter().zip(1..) {
        let named = named.remove(&case).unwrap_or_default();
        let check = OfCase { ledger, store, firm, case, named };
        for finding in check.run(&mut report).await? {
            tracing::error!(%firm, %case, fault = finding.fault, "a document is not as it should be");
            // Progress may be left out, findings never are; a caller who has left ends the run.
            let _ = outgoing.send(Ok(told(Message::Finding(finding)))).await;
        }
        let progress = v1::EvidenceProgress { checked_cases, cases: total };
        let _ = outgoing.try_send(Ok(told(Message::Progress(progress))));
    }
    report.sound = report.missing_count + report.altered_count + report.row_count == 0;
    Ok(report)
}

/// Every document that an event of a case names, up to the end of the log.
async fn named_by_events(
    ledger: &Ledger,
    firm: FirmId,
) -> Result<(u64, BTreeMap<CaseId, Named>), Failure> {
    let end = ledger.engine().head(firm).await?.position;
    let (mut position, mut count) = (0, 0);
    let mut named: BTreeMap<CaseId, Named> = BTreeMap::new();
    while position < end {
        let page = ledger.store().read(firm, position, EVENTS_PAGE).await?;
        let last = page.last().ok_or(Failure::Corrupt { position: position + 1 })?.position;
        for stored in page {
            let corrupt = |_| Failure::Corrupt { position: stored.position };
            let recorded = Recorded::from_bytes(&stored.bytes).map_err(corrupt)?;
            let (StreamId::Case(case), Event::Case(event)) = (recorded.stream, &recorded.event)
            else {
                continue;
            };
            event.each_document(&mut |hash| {
                named.entry(case).or_default().entry(hash).or_insert_with(|| {
                    count += 1;
                    stored.position
                });
            });
        }
        if count > DOCUMENTS_MAX {
            let limit = format!("events that name at most {DOCUMENTS_MAX} documents");
            return Err(Failure::Quota { subject: name::firm(firm), limit });
        }
        position = last;
    }
    Ok((end, named))
}

/// One case's documents.
struct OfCase<'a> {
    ledger: &'a Ledger,
    store: &'a BlobStore,
    firm: FirmId,
    case: CaseId,
    named: Named,
}

impl OfCase<'_> {
    async fn run(
        self,
        report: &mut v1::EvidenceReport,
    ) -> Result<Vec<v1::EvidenceFinding>, Failure> {
        // Rows first: what is uploaded meanwhile has its blob before its row.
        let rows = rows_of(self.ledger, self.firm, self.case).await?;
        let stored = self.store.list(self.firm.0, self.case.0).await;
        let stored: Stored = stored
            .map_err(|error| unavailable(&error))?
            .into_iter()
            .map(|StoredBlob { name, bytes }| (name, bytes))
            .collect();
        let Some(keys) = self.keys().await? else { return Ok(self.without_keys(&stored, report)) };
        let mut tally = Tally::default();
        let mut findings = Vec::new();
        let mut names = BTreeSet::new();
        for (hash, position) in &self.named {
            let name = keys.name(&hash.0);
            names.insert(name);
            let fault = match (stored.contains_key(&name), rows.contains_key(&name)) {
                (false, false) => {
                    tally.absent += 1;
                    continue;
                }
                (false, true) => Some(v1::EvidenceFault::Missing),
                (true, _) => {
                    let row = self.row(name, &rows).await?;
                    self.fault(&keys, *hash, row.as_ref()).await?
                }
            };
            match fault {
                None => tally.whole += 1,
                Some(fault) => findings.push(self.finding(fault, name, Some((*hash, *position)))),
            }
        }
        for (name, bytes) in stored.iter().filter(|(name, _)| !names.contains(name)) {
            tally.unnamed += 1;
            let row = self.row(*name, &rows).await?;
            let fault = match row.as_ref().map(|row| (row, hash_of(row, &keys))) {
                Some((row, Ok(Some(hash)))) => {
                    self.fault(&keys, DocumentHash(hash), Some(row)).await?
                }
                Some((_, Err(_))) => Some(v1::EvidenceFault::Row),
                // Its length is all that can be known.
                Some((row, Ok(None))) => {
                    tally.unopened += 1;
                    (sealed_len(row.bytes) != *bytes).then_some(v1::EvidenceFault::Altered)
                }
                None => {
                    tally.unopened += 1;
                    None
                }
            };
            findings.extend(fault.map(|fault| self.finding(fault, *name, None)));
        }
        for name in rows.keys().filter(|name| !names.contains(name) && !stored.contains_key(name)) {
            findings.push(self.finding(v1::EvidenceFault::Missing, *name, None));
        }
        // Erasing a client in the middle of this looks like a loss.
        if !findings.is_empty() && self.keys().await?.is_none() {
            return Ok(self.without_keys(&Stored::new(), report));
        }
        tally.add_to(report, &findings);
        Ok(findings)
    }

    /// The row of a blob: as it was read before the blobs were listed, or as it has come since.
    async fn row(
        &self,
        name: BlobName,
        rows: &BTreeMap<BlobName, EvidenceRow>,
    ) -> Result<Option<EvidenceRow>, Failure> {
        match rows.get(&name) {
            Some(row) => Ok(Some(row.clone())),
            None => Ok(self.ledger.store().evidence(self.firm, self.case, name.0.into()).await?),
        }
    }

    fn without_keys(
        &self,
        stored: &Stored,
        report: &mut v1::EvidenceReport,
    ) -> Vec<v1::EvidenceFinding> {
        report.named_count += number(self.named.len());
        report.erased_count += number(self.named.len());
        report.keyless_count += number(stored.len());
        Vec::new()
    }

    async fn keys(&self) -> Result<Option<BlobKeys>, Failure> {
        Ok(self.ledger.engine().blob_keys(self.firm, &[self.case]).await?.remove(&self.case))
    }

    /// What is wrong with a document that is stored, or with its row.
    async fn fault(
        &self,
        keys: &BlobKeys,
        hash: DocumentHash,
        row: Option<&EvidenceRow>,
    ) -> Result<Option<v1::EvidenceFault>, Failure> {
        let name = keys.name(&hash.0);
        let found = self.store.get(self.firm.0, self.case.0, name, stored_bytes_max()).await;
        let Some(sealed) = found.map_err(|error| unavailable(&error))? else {
            return Ok(Some(v1::EvidenceFault::Missing));
        };
        let opening = keys.clone();
        let opened = aside(move || {
            let content = opening.open(&hash.0, &sealed)?;
            Ok::<_, Altered>((count(content.len()), MediaType::of(&content)))
        });
        let Ok((bytes, media_type)) = opened.await? else {
            return Ok(Some(v1::EvidenceFault::Altered));
        };
        let says_so = row.is_some_and(|row| {
            (row.bytes, Some(row.media_type)) == (bytes, media_type)
                && hash_of(row, keys).is_ok_and(|told| told.is_none_or(|told| told == hash.0))
        });
        Ok((!says_so).then_some(v1::EvidenceFault::Row))
    }

    fn finding(
        &self,
        fault: v1::EvidenceFault,
        stored_name: BlobName,
        named: Option<(DocumentHash, u64)>,
    ) -> v1::EvidenceFinding {
        v1::EvidenceFinding {
            name: name::case(self.firm, self.case),
            fault: fault.into(),
            sha256: named.map(|(hash, _)| hash.to_string()).unwrap_or_default(),
            position: int64(named.map_or(0, |(_, position)| position)),
            stored_name: stored_name.to_string(),
        }
    }
}

/// What was found of one case, beside its findings.
#[derive(Default)]
struct Tally {
    whole: i64,
    absent: i64,
    unnamed: i64,
    unopened: i64,
}

impl Tally {
    fn add_to(&self, report: &mut v1::EvidenceReport, findings: &[v1::EvidenceFinding]) {
        let of = |fault: v1::EvidenceFault| {
            number(findings.iter().filter(|finding| finding.fault() == fault).count())
        };
        let faults = number(findings.iter().filter(|finding| !finding.sha256.is_empty()).count());
        report.named_count += self.whole + self.absent + faults;
        report.whole_count += self.whole;
        report.absent_count += self.absent;
        report.unnamed_count += self.unnamed;
        report.unopened_count += self.unopened;
        report.row_count += of(v1::EvidenceFault::Row);
        report.missing_count += of(v1::EvidenceFault::Missing);
        report.altered_count += of(v1::EvidenceFault::Altered);
    }
}

fn number(count: usize) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}
