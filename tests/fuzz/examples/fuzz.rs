//! libFuzzer over one target, which `COUNTERFOIL_FUZZ_TARGET` names. `ops/fuzz` builds it with
//! counters in every branch of the project's own code, and runs it.

#![no_main]

use std::sync::LazyLock;

use counterfoil_fuzz::{Target, target};

static TARGET: LazyLock<&'static Target> = LazyLock::new(|| {
    let name = std::env::var("COUNTERFOIL_FUZZ_TARGET").unwrap_or_default();
    target(&name).unwrap_or_else(|| panic!("COUNTERFOIL_FUZZ_TARGET names no target: {name:?}"))
});

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| (TARGET.read)(bytes));
