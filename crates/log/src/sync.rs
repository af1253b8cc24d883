//! Locks as everybody here takes them.

use std::sync::{Mutex, PoisonError, RwLock};

/// A lock whose data every holder leaves whole, so that a panic elsewhere does not poison it.
pub(crate) fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The same to read.
pub(crate) fn read<T>(lock: &RwLock<T>) -> std::sync::RwLockReadGuard<'_, T> {
    lock.read().unwrap_or_else(PoisonError::into_inner)
}
