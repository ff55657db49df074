//! Ctrl-C while a command writes: it ends where nothing is lost, and then says what it has done.
//!
//! The first one is only noted, and the command asks for it. The second one ends the process at once: what a transaction
//! has not committed is not in the ledger then.

use super::exit::COULD_NOT;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use tokio::signal::unix::{SignalKind, signal};

/// Whether Ctrl-C was pressed. After it is dropped, Ctrl-C is for what comes after: the pager.
pub struct Interrupt {
    came: Arc<AtomicBool>,
    is_over: Arc<AtomicBool>,
}

impl Interrupt {
    /// Watches from now on. If the system refuses that, Ctrl-C ends the process at once, as always.
    pub fn watch() -> Self {
        let watched = Self { came: Arc::default(), is_over: Arc::default() };
        let (came, is_over) = (watched.came.clone(), watched.is_over.clone());
        let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build();
        let Ok(runtime) = runtime else { return watched };
        let taken = {
            let _context = runtime.enter();
            signal(SignalKind::interrupt())
        };
        let Ok(mut signals) = taken else { return watched };
        std::thread::spawn(move || {
            runtime.block_on(async {
                while signals.recv().await.is_some() && !is_over.load(Ordering::SeqCst) {
                    if came.swap(true, Ordering::SeqCst) {
                        say!("stonechat: ended at once; `stonechat import list` shows what is in the ledger");
                        // The thread that works may wait for a disk for long; a person wants it to end.
                        std::process::exit(COULD_NOT.into());
                    }
                }
            });
        });
        watched
    }

    /// Whether it was pressed.
    pub fn came(&self) -> bool {
        self.came.load(Ordering::SeqCst)
    }
}

impl Drop for Interrupt {
    fn drop(&mut self) {
        self.is_over.store(true, Ordering::SeqCst);
    }
}
