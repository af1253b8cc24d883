//! libFuzzer over one target, which `COUNTERFOIL_FUZZ_TARGET` names. `ops/fuzz` builds it with
//! counters in every branch of the project's own code, and runs it.

#![no_main]

use std::panic::{self, AssertUnwindSafe};
use std::sync::{LazyLock, Mutex};

use counterfoil_fuzz::{Target, target};

static TARGET: LazyLock<&'static Target> = LazyLock::new(|| {
    let name = std::env::var("COUNTERFOIL_FUZZ_TARGET").unwrap_or_default();
    target(&name).unwrap_or_else(|| panic!("COUNTERFOIL_FUZZ_TARGET names no target: {name:?}"))
});
/// What was said last. A reader may catch a panic of its own making, which is then no fault of it.
static SAID: Mutex<String> = Mutex::new(String::new());

fn remember() {
    LazyLock::force(&TARGET);
    panic::set_hook(Box::new(|panic| {
        if let Ok(mut said) = SAID.lock() {
            *said = panic.to_string();
        }
    }));
}

libfuzzer_sys::fuzz_target!(init: remember(), |bytes: &[u8]| {
    if panic::catch_unwind(AssertUnwindSafe(|| (TARGET.read)(bytes))).is_err() {
        eprintln!("{}", SAID.lock().as_deref().map_or("", String::as_str));
        std::process::abort();
    }
});
