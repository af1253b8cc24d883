//! The gRPC contract: generated messages and services, and the one way in and out of the domain.
//!
//! A message that came in is converted once, whole, into a checked request of [`requests`] or a
//! [`FieldErrors`] that names every field at fault and never a value. What goes wrong later becomes
//! a status in one place, [`status`]. Stored events are not messages of this contract: the two are
//! versioned apart and meet only in [`event`].

// In the converters the outer `None` is a fault already noted, the inner one an absent member.
#![allow(clippy::option_option)]

mod case_action;
mod code;
pub mod codec;
pub mod contact;
pub mod event;
mod field;
mod fingerprint;
pub mod firm_action;
pub mod json;
mod limit;
pub mod name;
pub mod openapi;
mod payment_action;
mod private;
mod promise;
pub mod requests;
pub mod scalar;
pub mod status;

pub use code::Paired;
pub use field::{FIELD_ERRORS_MAX, FieldError, FieldErrors};
pub use fingerprint::fingerprint;
pub use limit::*;

/// Generated code, in modules nested as the packages are.
mod generated {
    #![allow(missing_docs, clippy::all, clippy::pedantic, clippy::as_conversions)]
    #![allow(rustdoc::all, unreachable_pub)]

    pub mod counterfoil {
        pub mod v1 {
            tonic::include_proto!("counterfoil.v1");
        }
    }

    pub mod google {
        pub mod r#type {
            tonic::include_proto!("google.r#type");
        }
    }
}

/// Package `counterfoil.v1`; its comments are those of the contract.
pub use generated::counterfoil::v1;
/// Messages of Google's common types that the contract uses.
pub use generated::google;

/// The contract's descriptor set with everything it imports and `google/rpc/error_details.proto`,
/// for the reflection service.
pub const FILE_DESCRIPTOR_SET: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/contract.binpb"));
