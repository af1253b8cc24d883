//! Every request of the contract, checked: the only way from a message to the domain.
//!
//! Each function reads one request message and gives either everything the service needs, typed, or
//! every field that is wrong. Amounts are held against the firm's currency where the caller knows it.

mod account;
mod audit;
mod bank;
mod books;
mod correction;
mod evidence;
mod find;
mod finding;
mod money;
mod mutation;
mod privacy;
mod read;

pub use account::*;
pub use audit::*;
pub use bank::*;
pub use books::*;
pub use correction::*;
pub use evidence::*;
pub use find::*;
pub use finding::*;
pub use money::*;
pub use mutation::*;
pub use privacy::*;
pub use read::*;
