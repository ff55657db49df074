//! Keys' memory: not in swap space, not in a core file, not left on the stack.
//!
//! Output: what could not be done, in words. What this is not: it hides nothing from root, and no key from the process
//! itself.
//!
//! All memory of the process is locked, and not single buffers: keys are also in the ciphers' schedules and for moments on
//! the stack, and to lock a single buffer is not possible in safe Rust. Pages are locked as they are first touched
//! (`MCL_ONFAULT`): what was never used takes no memory, stacks of threads included. What it costs is that code and heap
//! once used stay in memory: about as much as the daemon takes anyway. SQLite maps nothing but the ledger's -shm.
//!
//! It is only done where the process may lock as much as it likes: else each later allocation could fail, and the daemon
//! with it.

use rustix::mm::{MlockAllFlags, mlockall};
use rustix::process::{DumpableBehavior, Resource, Rlimit, getrlimit, set_dumpable_behavior, setrlimit};
use rustix::thread::{CapabilitySet, capabilities};

/// Bytes of the stack that are overwritten: HKDF, SHA-256 and the key schedule of AES take less, unoptimised builds too.
const STACK_BYTES: usize = 16 << 10;

/// Closes this process's memory. To be called before the first key is read.
///
/// Errors: the first thing that could not be done, with the remedy. The others are done.
pub fn close() -> Result<(), String> {
    // No core file, no look into its memory by other processes of this user (prctl(2), PR_SET_DUMPABLE).
    let dumpable = set_dumpable_behavior(DumpableBehavior::NotDumpable)
        .map_err(|error| format!("a crash may leave keys in a core file: {error}"));
    // The same once more, for whatever of the system looks at the limit only. Who may not set it has it from the unit.
    let _ = setrlimit(Resource::Core, Rlimit { current: Some(0), maximum: Some(0) });
    let locked = lock();
    dumpable.and(locked)
}

fn lock() -> Result<(), String> {
    let not = |why: &dyn std::fmt::Display| {
        format!("keys in memory may be written to swap space: {why}; a service needs LimitMEMLOCK=infinity")
    };
    // Root, as a rule, may lock whatever the limit.
    let is_free = capabilities(None).is_ok_and(|sets| sets.effective.contains(CapabilitySet::IPC_LOCK));
    if let (Some(bytes), false) = (getrlimit(Resource::Memlock).current, is_free) {
        // Where only the lower of the two limits is one.
        setrlimit(Resource::Memlock, Rlimit { current: None, maximum: None })
            .map_err(|_| not(&format!("this user may lock {} kB only", bytes / 1024)))?;
    }
    mlockall(MlockAllFlags::CURRENT | MlockAllFlags::FUTURE | MlockAllFlags::ONFAULT)
        .map_err(|error| not(&error))
}

/// Computes with secrets, and overwrites what that has left on the stack.
pub fn wiped<T>(compute: impl FnOnce() -> T) -> T {
    let value = apart(compute);
    overwrite();
    value
}

/// In a frame of its own, below the caller's.
#[inline(never)]
fn apart<T>(compute: impl FnOnce() -> T) -> T {
    compute()
}

#[inline(never)]
fn overwrite() {
    std::hint::black_box(&mut [0_u8; STACK_BYTES]);
}
