//! How messages come off the wire: as the contract has them, or refused with the field at fault.
//!
//! A decoder knows of a member of a choice only the choice, and of a list not which member. So whatever
//! cannot be read is looked through once more, by the contract's descriptor.

use std::collections::HashMap;
use std::marker::PhantomData;

use prost::encoding::{DecodeContext, WireType, decode_key, decode_varint, skip_field};
use prost::{Message, Name};
use prost_reflect::{FieldDescriptor, Kind, MessageDescriptor};
use tonic::Status;
use tonic::codec::{BufferSettings, Codec, DecodeBuf, Decoder};
use tonic_prost::{ProstCodec, ProstEncoder};

use crate::json::{descriptors, joined};

/// What [`crate::status::unreadable`] knows such a status by; the field follows, a colon and the rule.
pub(crate) const UNREADABLE: &str = "unreadable: ";

pub(crate) const NO_MESSAGE: &str = "must be a message of the contract";
const NO_TEXT: &str = "must be text in UTF-8";

/// Writes `T` and reads `U`.
pub struct ContractCodec<T, U>(PhantomData<(T, U)>);

impl<T, U> Default for ContractCodec<T, U> {
    fn default() -> Self {
        Self(PhantomData)
    }
}

impl<T, U> Codec for ContractCodec<T, U>
where
    T: Message + Send + 'static,
    U: Message + Default + Name + Send + 'static,
{
    type Encode = T;
    type Decode = U;
    type Encoder = ProstEncoder<T>;
    type Decoder = ContractDecoder<U>;

    fn encoder(&mut self) -> Self::Encoder {
        ProstCodec::<T, U>::raw_encoder(BufferSettings::default())
    }

    fn decoder(&mut self) -> Self::Decoder {
        ContractDecoder(PhantomData)
    }
}

/// Reads `U`.
pub struct ContractDecoder<U>(PhantomData<U>);

impl<U: Message + Default + Name> Decoder for ContractDecoder<U> {
    type Item = U;
    type Error = Status;

    fn decode(&mut self, buffer: &mut DecodeBuf<'_>) -> Result<Option<U>, Status> {
        use prost::bytes::Buf as _;
        let bytes = buffer.copy_to_bytes(buffer.remaining());
        U::decode(bytes.clone()).map(Some).map_err(|_| {
            let contract = descriptors().get_message_by_name(&U::full_name());
            let found = contract.and_then(|message| fault(&message, &bytes, ""));
            let (field, rule) = found.unwrap_or_else(|| (String::new(), NO_MESSAGE));
            Status::internal(format!("{UNREADABLE}{field}: {rule}"))
        })
    }
}

/// The first member that cannot be read, by its path, and the rule that it breaks.
fn fault(
    message: &MessageDescriptor,
    mut bytes: &[u8],
    path: &str,
) -> Option<(String, &'static str)> {
    let mut members = HashMap::new();
    while !bytes.is_empty() {
        let Ok((number, wire)) = decode_key(&mut bytes) else {
            return Some((path.to_owned(), NO_MESSAGE));
        };
        let field = message.get_field(number);
        let name = field.as_ref().map_or_else(String::new, |field| {
            let at = members.entry(number).or_insert(0_usize);
            let name = name_of(field, *at);
            *at += 1;
            name
        });
        let place = joined(path, &name);
        let kind = field.as_ref().map(FieldDescriptor::kind);
        if let (Some(kind @ (Kind::String | Kind::Message(_))), WireType::LengthDelimited) =
            (kind, wire)
        {
            let Some(value) = take(&mut bytes) else { return Some((place, NO_MESSAGE)) };
            let found = match &kind {
                Kind::Message(inner) => fault(inner, value, &place),
                _ => str::from_utf8(value).is_err().then_some((place, NO_TEXT)),
            };
            if found.is_some() {
                return found;
            }
        } else if skip_field(wire, number, &mut bytes, DecodeContext::default()).is_err() {
            return Some((place, NO_MESSAGE));
        }
    }
    None
}

fn name_of(field: &FieldDescriptor, at: usize) -> String {
    if field.is_list() { format!("{}[{at}]", field.name()) } else { field.name().to_owned() }
}

/// The next value that says its own length.
fn take<'a>(bytes: &mut &'a [u8]) -> Option<&'a [u8]> {
    let length = usize::try_from(decode_varint(bytes).ok()?).ok()?;
    let (value, rest) = bytes.split_at_checked(length)?;
    *bytes = rest;
    Some(value)
}
