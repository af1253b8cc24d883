//! Every RPC of the contract, called by its descriptor.

use api::v1;
use futures::StreamExt;
use prost::Message;
use prost_reflect::{DescriptorPool, DynamicMessage, MessageDescriptor, MethodDescriptor, Value};
use tonic::body::Body;
use tonic::client::GrpcService;
use tonic::codec::{Codec, DecodeBuf, Decoder, EncodeBuf, Encoder};
use tonic::codegen::http::uri::PathAndQuery;
use tonic::codegen::{Body as HttpBody, Bytes, StdError};
use tonic::{Code, Status};

/// Messages as bytes.
#[derive(Clone, Default)]
struct Raw;

impl Codec for Raw {
    type Encode = Vec<u8>;
    type Decode = Vec<u8>;
    type Encoder = Self;
    type Decoder = Self;
    fn encoder(&mut self) -> Self {
        Self
    }
    fn decoder(&mut self) -> Self {
        Self
    }
}

impl Encoder for Raw {
    type Item = Vec<u8>;
    type Error = Status;
    fn encode(&mut self, item: Vec<u8>, buffer: &mut EncodeBuf<'_>) -> Result<(), Status> {
        bytes::BufMut::put_slice(buffer, &item);
        Ok(())
    }
}

impl Decoder for Raw {
    type Item = Vec<u8>;
    type Error = Status;
    fn decode(&mut self, buffer: &mut DecodeBuf<'_>) -> Result<Option<Vec<u8>>, Status> {
        let length = bytes::Buf::remaining(buffer);
        Ok(Some(bytes::Buf::copy_to_bytes(buffer, length).to_vec()))
    }
}

pub fn methods() -> Vec<MethodDescriptor> {
    let pool = DescriptorPool::decode(api::FILE_DESCRIPTOR_SET).unwrap();
    let ours = pool.services().filter(|service| service.package_name() == "counterfoil.v1");
    ours.flat_map(|service| service.methods().collect::<Vec<_>>()).collect()
}

pub fn path(method: &MethodDescriptor) -> String {
    format!("/{}/{}", method.parent_service().full_name(), method.name())
}

/// A request that says nothing but which resource it is about.
pub fn about(descriptor: &MessageDescriptor, firm: &str) -> Vec<u8> {
    message_about(descriptor, firm).encode_to_vec()
}

fn message_about(descriptor: &MessageDescriptor, firm: &str) -> DynamicMessage {
    let mut message = DynamicMessage::new(descriptor.clone());
    let other = "0190a000-0000-7000-8000-0000000000c1";
    let name = match descriptor.name() {
        "GetCaseRequest"
        | "PrepareAgreementRequest"
        | "RecordRequest"
        | "ExplainFeeRequest"
        | "ClaimFeeRequest" => format!("{firm}/cases/{other}"),
        "GetInvoiceRequest" => format!("{firm}/invoices/1"),
        "GetFirmRequest" | "Firm" => firm.to_owned(),
        _ => format!("{firm}/accounts/{other}"),
    };
    if let Some(field) = inner(descriptor) {
        let nested = message_about(field.kind().as_message().unwrap(), firm);
        message.set_field(&field, Value::Message(nested));
    } else if descriptor.get_field_by_name("parent").is_some() {
        message.set_field_by_name("parent", Value::String(firm.into()));
    } else {
        message.set_field_by_name("name", Value::String(name));
    }
    message
}

/// The member of a request that names its resource, where it does not do so itself.
pub fn inner(descriptor: &MessageDescriptor) -> Option<prost_reflect::FieldDescriptor> {
    descriptor.fields().find(|f| {
        matches!(f.name(), "record" | "firm" | "start") && f.kind().as_message().is_some()
    })
}

/// Calls an RPC; an error inside a stream's first message counts as its error.
pub async fn call<S>(wire: S, method: &MethodDescriptor, message: &[u8]) -> Result<(), Status>
where
    S: GrpcService<Body>,
    S::Error: Into<StdError>,
    S::ResponseBody: HttpBody<Data = Bytes> + Send + 'static,
    <S::ResponseBody as HttpBody>::Error: Into<StdError> + Send,
{
    let mut client = tonic::client::Grpc::new(wire);
    client.ready().await.map_err(|error| Status::unknown(error.into().to_string()))?;
    let path: PathAndQuery = path(method).parse().unwrap();
    let request = tonic::Request::new(futures::stream::iter([message.to_vec()]));
    let answer = client.streaming(request, path, Raw).await?;
    let Some(first) = answer.into_inner().next().await else { return Ok(()) };
    let first = first?;
    if method.name() == "RecordStream" {
        let first = v1::RecordStreamResponse::decode(first.as_slice()).unwrap();
        if let Some(v1::record_stream_response::Result::Error(error)) = first.result {
            return Err(Status::new(Code::from(error.code), error.message));
        }
    }
    Ok(())
}
