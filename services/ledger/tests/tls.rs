//! Beyond loopback only with TLS, or with somebody's word for it.
//!
//! The certificate and key under `tests/data` are made for these tests and protect nothing.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use std::path::Path;

use api::v1;
use common::Service;
use counterfoil_ledger::{ServeError, ServerConfig, TlsFiles};
use tonic::transport::{Certificate, ClientTlsConfig, Endpoint};

fn data(file: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(file)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn elsewhere_without_tls_is_refused() {
    let service = Service::start().await;
    let elsewhere =
        ServerConfig { listen: "0.0.0.0:0".parse().unwrap(), ..ServerConfig::loopback(0) };
    let refused = service.ledger.serve(&elsewhere).await.unwrap_err();
    assert!(matches!(refused, ServeError::Config(_)), "{refused}");
    let allowed = ServerConfig { allow_plaintext_elsewhere: true, ..elsewhere };
    assert!(service.ledger.serve(&allowed).await.is_ok());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn tls_is_spoken_elsewhere() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let token = service.token(&firm, &[v1::Scope::Read]).await;
    let key = testbed::secret_copy(&data("server.key"), service.place.folder());
    let tls = Some(TlsFiles { certificate: data("server.pem"), key });
    let config =
        ServerConfig { listen: "0.0.0.0:0".parse().unwrap(), tls, ..ServerConfig::loopback(0) };
    let listening = service.ledger.serve(&config).await.unwrap();
    let trust = Certificate::from_pem(std::fs::read(data("ca.pem")).unwrap());
    let address = format!("https://localhost:{}", listening.local_addr.port());
    let channel = Endpoint::from_shared(address)
        .unwrap()
        .tls_config(ClientTlsConfig::new().ca_certificate(trust).domain_name("localhost"))
        .unwrap()
        .connect()
        .await
        .unwrap();
    let bearer = common::Bearer(Some(format!("Bearer {token}").parse().unwrap()));
    let mut client =
        v1::administration_client::AdministrationClient::with_interceptor(channel, bearer);
    let head = client.get_head(v1::GetHeadRequest { parent: firm }).await.unwrap().into_inner();
    assert!(head.position > 0);
    // Plain text is not understood there.
    let plain = format!("http://127.0.0.1:{}", listening.local_addr.port());
    let plain = Endpoint::from_shared(plain).unwrap().connect().await;
    let heard = match plain {
        Ok(channel) => {
            let mut health = tonic_health::pb::health_client::HealthClient::new(channel);
            health.check(tonic_health::pb::HealthCheckRequest::default()).await.is_ok()
        }
        Err(_) => false,
    };
    assert!(!heard);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_missing_certificate_is_named() {
    let service = Service::start().await;
    let tls = Some(TlsFiles { certificate: data("absent.pem"), key: data("server.key") });
    let error =
        service.ledger.serve(&ServerConfig { tls, ..ServerConfig::loopback(0) }).await.unwrap_err();
    assert!(error.to_string().contains("absent.pem"), "{error}");
}
