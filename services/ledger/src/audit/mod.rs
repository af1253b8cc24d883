//! `Audit`: signed checkpoints of the log and proofs that strangers can check.
//!
//! Everything that leaves here is checked first as a stranger would: a proof against the root of a
//! signed checkpoint or of the log's head, a note against the keys it was signed with. So whatever
//! was changed behind the service's back, a leaf, a tile, a note, is found instead of proved. All of
//! it is read from the primary, never from a replica.

mod bundle;
mod checkpoint;
mod cosign;
mod kept;
mod keys;
mod prove;
mod schedule;
mod what_if;

use api::requests;
use api::scalar::int64;
use api::v1;
use api::v1::audit_server::Audit;
use tonic::{Request, Response, Status};

use api::status::Failure;

use crate::access::Authority;
use crate::answers::Answers;
use crate::ledger::Ledger;
use crate::paging::Pager;

use checkpoint::Signed;
pub(crate) use kept::{Finding, Kept, kept, seed_fault};
pub use keys::KeyError;
pub(crate) use schedule::sign_every;

/// The service.
pub(crate) struct AuditRpc(pub(crate) Ledger);

impl AuditRpc {
    /// What a caller may ask of the firm it names.
    async fn allowed<'m, M>(
        &self,
        request: &'m Request<M>,
        name: impl Fn(&'m M) -> &'m str,
    ) -> Result<&'m M, Failure> {
        let message = request.get_ref();
        self.0.check_name(&Authority::of(request)?, name(message)).await?;
        Ok(message)
    }
}

#[tonic::async_trait]
impl Audit for AuditRpc {
    type ExportBundleStream = Answers<v1::ExportBundleResponse>;

    async fn export_bundle(
        &self,
        request: Request<v1::ExportBundleRequest>,
    ) -> Result<Response<Self::ExportBundleStream>, Status> {
        let m = self.allowed(&request, |m| &m.parent).await?;
        let asked = requests::export_bundle(m).map_err(Failure::from)?;
        let authority = Authority::of(&request)?;
        bundle::check(&authority, &asked)?;
        Ok(Response::new(bundle::export(&self.0, authority, asked)))
    }

    async fn make_checkpoint(
        &self,
        request: Request<v1::MakeCheckpointRequest>,
    ) -> Result<Response<v1::MakeCheckpointResponse>, Status> {
        let m = self.allowed(&request, |m| &m.parent).await?;
        let firm = requests::make_checkpoint(m).map_err(Failure::from)?;
        let made = checkpoint::make(&self.0, firm).await?;
        let checkpoint = Some(made.message(&self.0, firm).await?);
        Ok(Response::new(v1::MakeCheckpointResponse { checkpoint }))
    }

    async fn get_checkpoint(
        &self,
        request: Request<v1::GetCheckpointRequest>,
    ) -> Result<Response<v1::GetCheckpointResponse>, Status> {
        let m = self.allowed(&request, |m| &m.name).await?;
        let asked = requests::get_checkpoint(m).map_err(Failure::from)?;
        let signed = checkpoint::get(&self.0, asked.firm, asked.size).await?;
        let checkpoint = Some(signed.message(&self.0, asked.firm).await?);
        Ok(Response::new(v1::GetCheckpointResponse { checkpoint }))
    }

    async fn list_disallowed_fees(
        &self,
        request: Request<v1::ListDisallowedFeesRequest>,
    ) -> Result<Response<v1::ListDisallowedFeesResponse>, Status> {
        let m = self.allowed(&request, |m| &m.parent).await?;
        let authority = Authority::of(&request)?;
        Ok(Response::new(what_if::list(&self.0, &authority, m).await?))
    }

    async fn list_checkpoints(
        &self,
        request: Request<v1::ListCheckpointsRequest>,
    ) -> Result<Response<v1::ListCheckpointsResponse>, Status> {
        let m = self.allowed(&request, |m| &m.parent).await?;
        Ok(Response::new(list_checkpoints(&self.0, m).await?))
    }

    async fn get_inclusion_proof(
        &self,
        request: Request<v1::GetInclusionProofRequest>,
    ) -> Result<Response<v1::GetInclusionProofResponse>, Status> {
        let m = self.allowed(&request, |m| &m.parent).await?;
        let asked = requests::get_inclusion_proof(m).map_err(Failure::from)?;
        Ok(Response::new(prove::inclusion(&self.0, asked).await?))
    }

    async fn get_consistency_proof(
        &self,
        request: Request<v1::GetConsistencyProofRequest>,
    ) -> Result<Response<v1::GetConsistencyProofResponse>, Status> {
        let m = self.allowed(&request, |m| &m.parent).await?;
        let asked = requests::get_consistency_proof(m).map_err(Failure::from)?;
        Ok(Response::new(prove::consistency(&self.0, asked).await?))
    }

    async fn list_signing_keys(
        &self,
        request: Request<v1::ListSigningKeysRequest>,
    ) -> Result<Response<v1::ListSigningKeysResponse>, Status> {
        let m = self.allowed(&request, |m| &m.parent).await?;
        Ok(Response::new(list_signing_keys(&self.0, m).await?))
    }

    async fn add_cosignature(
        &self,
        request: Request<v1::AddCosignatureRequest>,
    ) -> Result<Response<v1::AddCosignatureResponse>, Status> {
        let m = self.allowed(&request, |m| &m.parent).await?;
        let asked = requests::add_cosignature(m).map_err(Failure::from)?;
        let firm = asked.firm;
        let signed = cosign::add(&self.0, asked).await?;
        let checkpoint = Some(signed.message(&self.0, firm).await?);
        Ok(Response::new(v1::AddCosignatureResponse { checkpoint }))
    }
}

async fn list_checkpoints(
    ledger: &Ledger,
    message: &v1::ListCheckpointsRequest,
) -> Result<v1::ListCheckpointsResponse, Failure> {
    let page = requests::list_checkpoints(message)?;
    let (pager, below) =
        Pager::open_at(ledger, "ListCheckpoints", &page, |key| key.parse::<u64>().ok())?;
    let position = ledger.engine().head(page.firm).await?.position;
    let mut found = ledger.store().checkpoints_below(page.firm, below, pager.limit()).await?;
    let next_page_token = pager.cut(&mut found, |kept| kept.size.to_string());
    let keys = keys::own(ledger, page.firm).await?;
    let mut checkpoints = Vec::with_capacity(found.len());
    for kept in found {
        checkpoints.push(Signed::read(kept, &keys)?.message(ledger, page.firm).await?);
    }
    Ok(v1::ListCheckpointsResponse { checkpoints, next_page_token, position: int64(position) })
}

async fn list_signing_keys(
    ledger: &Ledger,
    message: &v1::ListSigningKeysRequest,
) -> Result<v1::ListSigningKeysResponse, Failure> {
    let page = requests::list_signing_keys(message)?;
    let (pager, after) =
        Pager::open_at(ledger, "ListSigningKeys", &page, |key| key.parse::<usize>().ok())?;
    let position = ledger.engine().head(page.firm).await?.position;
    let all = keys::messages(ledger, page.firm).await?.into_iter().enumerate();
    let mut found: Vec<_> = all.skip(after.unwrap_or(0)).take(pager.rows()).collect();
    // The list only grows: a new key of the firm moves the witnesses on by one, so that one of them may be
    // listed twice, and none is left out.
    let next_page_token = pager.cut(&mut found, |(at, _)| (at + 1).to_string());
    let keys = found.into_iter().map(|(_, key)| key).collect();
    Ok(v1::ListSigningKeysResponse { keys, next_page_token, position: int64(position) })
}
