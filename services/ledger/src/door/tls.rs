//! TLS, spoken with one certificate.

use std::path::Path;
use std::sync::Arc;

use rustls::ServerConfig;
use rustls::crypto::ring;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::TlsAcceptor;

use crate::config::TlsFiles;
use crate::server::ServeError;

/// What HTTP/2 and HTTP/1.1 are called where the protocol is agreed on (RFC 9113, section 3.2; RFC 7301, section 6),
/// the preferred first.
const PROTOCOLS: [&[u8]; 2] = [b"h2", b"http/1.1"];

/// Reads a certificate and its key.
pub(super) async fn acceptor(files: &TlsFiles) -> Result<TlsAcceptor, ServeError> {
    let unfit = |path: &Path, why: String| ServeError::Certificate { path: path.into(), why };
    let chain = read(&files.certificate).await?;
    let chain: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(&chain).collect();
    let chain = chain.map_err(|error| unfit(&files.certificate, error.to_string()))?;
    if chain.is_empty() {
        return Err(unfit(&files.certificate, "there is no certificate in it".into()));
    }
    let key = PrivateKeyDer::from_pem_slice(&read_secret(&files.key).await?);
    let key = key.map_err(|error| unfit(&files.key, error.to_string()))?;
    let mut config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .and_then(|builder| builder.with_no_client_auth().with_single_cert(chain, key))
        .map_err(|error| unfit(&files.certificate, error.to_string()))?;
    config.alpn_protocols.extend(PROTOCOLS.map(Into::into));
    Ok(Arc::new(config).into())
}

async fn read(path: &Path) -> Result<Vec<u8>, ServeError> {
    tokio::fs::read(path).await.map_err(|source| ServeError::Tls { path: path.into(), source })
}

/// The private key, which nobody else may read.
async fn read_secret(path: &Path) -> Result<Vec<u8>, ServeError> {
    let failed = |source| ServeError::Tls { path: path.into(), source };
    let opened = std::fs::File::open(path).map_err(failed)?;
    if vault::owner::is_exposed(&opened).map_err(failed)? {
        let rule = "others may read this private key; chmod 600 it, or 640 if it is root's";
        return Err(failed(std::io::Error::new(std::io::ErrorKind::PermissionDenied, rule)));
    }
    let mut key = Vec::new();
    let mut opened = tokio::fs::File::from_std(opened);
    tokio::io::AsyncReadExt::read_to_end(&mut opened, &mut key).await.map_err(failed)?;
    Ok(key)
}
