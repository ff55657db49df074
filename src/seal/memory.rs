//! Protects the memory that holds keys: keeps it out of swap space and core files, and clears the stack.
//!
//! Output: what could not be done, in words. What this is not: it hides nothing from root, and no key from the process
//! itself.
//!
//! All memory of the process is locked, not single buffers: keys are also in the ciphers' schedules and briefly on the
//! stack, and safe Rust cannot lock a single buffer. Pages are locked when they are first touched (`MCL_ONFAULT`):
//! memory that was never used is not locked, including the stacks of threads. The cost is that code and heap stay in
//! memory once used: about as much as the daemon takes anyway. SQLite maps nothing but the ledger's -shm.
//!
//! Memory is locked only if the process may lock an unlimited amount: otherwise any later allocation could fail, and
//! the daemon with it.

use rustix::mm::{MlockAllFlags, mlockall};
use rustix::process::{DumpableBehavior, Resource, Rlimit, getrlimit, set_dumpable_behavior, setrlimit};
use rustix::thread::{CapabilitySet, capabilities};

/// Bytes of the stack that are overwritten: HKDF, SHA-256 and the key schedule of AES need less, in unoptimised builds
/// too.
const STACK_BYTES: usize = 16 << 10;

/// Protects this process's memory. Call it before the first key is read.
///
/// Errors: the first thing that could not be done, with the remedy. The other steps are still done.
pub fn close() -> Result<(), String> {
    // No core file, and no access to its memory by other processes of this user (prctl(2), PR_SET_DUMPABLE).
    let dumpable = set_dumpable_behavior(DumpableBehavior::NotDumpable)
        .map_err(|error| format!("a crash may leave keys in a core file: {error}"));
    // The same again, for parts of the system that check only the limit. If it may not be set here, the unit sets it.
    let _ = setrlimit(Resource::Core, Rlimit { current: Some(0), maximum: Some(0) });
    let locked = lock();
    dumpable.and(locked)
}

fn lock() -> Result<(), String> {
    let not = |why: &dyn std::fmt::Display| {
        format!("keys in memory may be written to swap space: {why}; a service needs LimitMEMLOCK=infinity")
    };
    // Root can usually lock any amount, whatever the limit.
    let is_free = capabilities(None).is_ok_and(|sets| sets.effective.contains(CapabilitySet::IPC_LOCK));
    if let (Some(bytes), false) = (getrlimit(Resource::Memlock).current, is_free) {
        // For the case that only the lower of the two limits is set.
        setrlimit(Resource::Memlock, Rlimit { current: None, maximum: None })
            .map_err(|_| not(&format!("this user may lock {} kB only", bytes / 1024)))?;
    }
    mlockall(MlockAllFlags::CURRENT | MlockAllFlags::FUTURE | MlockAllFlags::ONFAULT)
        .map_err(|error| not(&error))
}

/// Computes with secrets, and then overwrites what the computation left on the stack.
pub fn wiped<T>(compute: impl FnOnce() -> T) -> T {
    let value = apart(compute);
    overwrite();
    value
}

/// In its own stack frame, below the caller's.
#[inline(never)]
fn apart<T>(compute: impl FnOnce() -> T) -> T {
    compute()
}

#[inline(never)]
fn overwrite() {
    std::hint::black_box(&mut [0_u8; STACK_BYTES]);
}
