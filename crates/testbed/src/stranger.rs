//! A caller that keeps to nothing: frames of HTTP/2 as bytes over a socket (RFC 9113), with headers that
//! are not compressed (RFC 7541, section 6.2.2). No library that means well stands in its way.

use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, RootCertStore};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpSocket, TcpStream};
use tokio_rustls::TlsConnector;

/// Types of frames (RFC 9113, section 6).
pub mod kind {
    /// Content.
    pub const DATA: u8 = 0x0;
    /// The headers of a stream.
    pub const HEADERS: u8 = 0x1;
    /// A priority.
    pub const PRIORITY: u8 = 0x2;
    /// The end of a stream by force.
    pub const RST_STREAM: u8 = 0x3;
    /// Settings.
    pub const SETTINGS: u8 = 0x4;
    /// A ping.
    pub const PING: u8 = 0x6;
    /// The end of a connection.
    pub const GOAWAY: u8 = 0x7;
    /// More window.
    pub const WINDOW_UPDATE: u8 = 0x8;
    /// More headers.
    pub const CONTINUATION: u8 = 0x9;
}

/// Nothing more comes on the stream.
pub const END_STREAM: u8 = 0x1;
/// The headers are whole.
pub const END_HEADERS: u8 = 0x4;

const PREFACE: &[u8] = b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n";
const SETTING_INITIAL_WINDOW: u16 = 0x4;

/// What bytes go through.
pub trait Pipe: AsyncRead + AsyncWrite + Unpin + Send {}

impl<T: AsyncRead + AsyncWrite + Unpin + Send> Pipe for T {}

/// A frame that came.
#[derive(Debug)]
pub struct Frame {
    /// Its type.
    pub kind: u8,
    /// Its flags.
    pub flags: u8,
    /// Its stream; 0 is the connection.
    pub stream: u32,
    /// What it carries.
    pub payload: Vec<u8>,
}

/// A connection of such a caller.
pub struct Stranger {
    pipe: Box<dyn Pipe>,
}

impl Stranger {
    /// A connection from an address of this machine.
    pub async fn connect(to: SocketAddr, from: [u8; 4]) -> io::Result<Self> {
        Ok(Self { pipe: Box::new(tcp(to, from).await?) })
    }

    /// The same under TLS, by an authority's certificate.
    pub async fn over_tls(to: SocketAddr, from: [u8; 4], ca_pem: &[u8]) -> io::Result<Self> {
        let mut roots = RootCertStore::empty();
        let ca = CertificateDer::from_pem_slice(ca_pem).map_err(io::Error::other)?;
        roots.add(ca).map_err(io::Error::other)?;
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(io::Error::other)?;
        let mut config = config.with_root_certificates(roots).with_no_client_auth();
        config.alpn_protocols.push(b"h2".to_vec());
        let name = ServerName::try_from("localhost").map_err(io::Error::other)?;
        let connector = TlsConnector::from(Arc::new(config));
        Ok(Self { pipe: Box::new(connector.connect(name, tcp(to, from).await?).await?) })
    }

    /// Sends bytes as they are.
    pub async fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.pipe.write_all(bytes).await?;
        self.pipe.flush().await
    }

    /// Begins as HTTP/2 begins.
    pub async fn greet(&mut self) -> io::Result<()> {
        self.send(&[PREFACE, &frame(kind::SETTINGS, 0, 0, &[])].concat()).await
    }

    /// Begins, and lets the server send so many bytes of each answer.
    pub async fn greet_with_window(&mut self, bytes: u32) -> io::Result<()> {
        let mut setting = SETTING_INITIAL_WINDOW.to_be_bytes().to_vec();
        setting.extend(bytes.to_be_bytes());
        self.send(&[PREFACE, &frame(kind::SETTINGS, 0, 0, &setting)].concat()).await
    }

    /// The next frame; nothing at the end of the connection.
    pub async fn next(&mut self) -> Option<Frame> {
        let mut head = [0; 9];
        self.pipe.read_exact(&mut head).await.ok()?;
        let [high, middle, low, kind, flags, stream @ ..] = head;
        let length = usize::try_from(u32::from_be_bytes([0, high, middle, low])).ok()?;
        let mut payload = vec![0; length];
        self.pipe.read_exact(&mut payload).await.ok()?;
        let stream = u32::from_be_bytes(stream) & 0x7fff_ffff;
        Some(Frame { kind, flags, stream, payload })
    }

    /// Reads on until the connection has ended.
    pub async fn until_closed(&mut self) {
        let mut bytes = [0; 4_096];
        while self.pipe.read(&mut bytes).await.is_ok_and(|count| count > 0) {}
    }
}

async fn tcp(to: SocketAddr, from: [u8; 4]) -> io::Result<TcpStream> {
    let socket = TcpSocket::new_v4()?;
    // Little, so that what is not read is soon noticed where it is sent.
    socket.set_recv_buffer_size(8 << 10)?;
    socket.bind(SocketAddr::from((Ipv4Addr::from(from), 0)))?;
    socket.connect(to).await
}

/// A frame as bytes.
pub fn frame(kind: u8, flags: u8, stream: u32, payload: &[u8]) -> Vec<u8> {
    let length = u32::try_from(payload.len()).unwrap_or(u32::MAX).to_be_bytes();
    let mut bytes = vec![length[1], length[2], length[3], kind, flags];
    bytes.extend(stream.to_be_bytes());
    bytes.extend(payload);
    bytes
}

/// The headers of a gRPC call (gRPC over HTTP/2), as a block.
pub fn header_block(path: &str, token: Option<&str>, more: &[(&str, &str)]) -> Vec<u8> {
    let bearer = token.map(|token| format!("Bearer {token}"));
    let mut headers = vec![
        (":method", "POST"),
        (":scheme", "http"),
        (":path", path),
        (":authority", "localhost"),
        ("content-type", "application/grpc"),
        ("te", "trailers"),
    ];
    headers.extend(bearer.as_deref().map(|bearer| ("authorization", bearer)));
    headers.extend(more);
    let mut block = Vec::new();
    for (name, value) in headers {
        // A literal that is not indexed, with a new name.
        block.push(0);
        text(&mut block, name);
        text(&mut block, value);
    }
    block
}

/// Begins a call, whose content follows unless it is said to have ended.
pub fn call(stream: u32, path: &str, token: Option<&str>, flags: u8) -> Vec<u8> {
    let block = header_block(path, token, &[]);
    frame(kind::HEADERS, END_HEADERS | flags, stream, &block)
}

/// A message of a call, with the five bytes that gRPC puts before it.
pub fn message(stream: u32, bytes: &[u8], flags: u8) -> Vec<u8> {
    let mut payload = vec![0];
    payload.extend(u32::try_from(bytes.len()).unwrap_or(u32::MAX).to_be_bytes());
    payload.extend(bytes);
    frame(kind::DATA, flags, stream, &payload)
}

/// A text that is not Huffman-coded, after its length (RFC 7541, sections 5.1 and 5.2).
fn text(block: &mut Vec<u8>, text: &str) {
    const IN_PREFIX: usize = 127;
    let byte = |number: usize| u8::try_from(number).unwrap_or(u8::MAX);
    let length = text.len();
    if length < IN_PREFIX {
        block.push(byte(length));
    } else {
        block.push(byte(IN_PREFIX));
        let mut left = length - IN_PREFIX;
        while left >= 128 {
            block.push(byte(left % 128 + 128));
            left /= 128;
        }
        block.push(byte(left));
    }
    block.extend(text.as_bytes());
}
