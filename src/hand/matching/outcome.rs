//! Records the results in the file's order: an outcome for each row, and the stretches with their lines.

use super::{Contents, Matcher, Matching, Met, Piece, RowFate, Stretch, StretchFate};
use crate::wire::seq::Identity;

impl<C: Contents> Matcher<'_, '_, '_, C> {
    /// Records outcomes and stretches in the file's order.
    pub(super) fn outcome(&self, pieces: &[Piece]) -> Matching {
        let line = self.line;
        let mut fates = vec![RowFate::Unmatched; self.file.rows.len()];
        for &(row, of) in &self.file.repeated {
            fates[row as usize] = RowFate::Repeated(of as usize);
        }
        let mut stretches = Vec::with_capacity(pieces.len());
        for piece in pieces {
            for at in piece.from..piece.to {
                fates[self.file.order[at] as usize] = match (&piece.fit, self.met[at]) {
                    (None, Met::Anchor(held)) => {
                        line.identity(held).map_or(RowFate::Unmatched, RowFate::Anchor)
                    }
                    (Some(Ok(fit)), _) => {
                        let epoch = line.epoch(fit.before).epoch.number();
                        let sequence = fit.sequences.get(at - piece.from).copied().unwrap_or(0);
                        let identity = Identity::new(line.history.address.number(), epoch, sequence);
                        identity.map_or(RowFate::Unmatched, RowFate::Matched)
                    }
                    (Some(Err(why)), _) if why.is_refusal() => RowFate::Refused,
                    _ => RowFate::Unmatched,
                };
            }
            stretches.push(self.stretch(piece));
        }
        if self.file.order.windows(2).next().is_some_and(|two| two[0] > two[1]) {
            stretches.reverse();
        }
        let mut matching = Matching { fates, stretches };
        self.count_repeated(&mut matching);
        matching
    }

    fn stretch(&self, piece: &Piece) -> Stretch {
        let line = self.line;
        let (one, other) = (self.file.line(piece.from), self.file.line(piece.to - 1));
        let of = |first: usize, last: usize| {
            Some((line.epoch(first).epoch, line.sequence(first), line.sequence(last)))
        };
        let held = |at: usize| match self.met.get(at) {
            Some(&Met::Anchor(held)) => Some(held),
            _ => None,
        };
        let (what, sequences) = match &piece.fit {
            None => {
                let both = held(piece.from).zip(held(piece.to - 1));
                (StretchFate::Anchored, both.and_then(|(first, last)| of(first, last)))
            }
            Some(Ok(fit)) => {
                let both = fit.sequences.first().zip(fit.sequences.last());
                (
                    StretchFate::Matched,
                    both.map(|(&first, &last)| (line.epoch(fit.before).epoch, first, last)),
                )
            }
            Some(Err(why)) => {
                // The held readings between which it was tried.
                let both = piece.from.checked_sub(1).and_then(held).zip(held(piece.to));
                let tried = both.filter(|&(before, after)| {
                    before < after && line.held[before].epoch == line.held[after].epoch
                });
                let tried = tried.and_then(|(before, after)| {
                    let (epoch, first, last) = of(before, after)?;
                    (last - first > 1).then_some((epoch, first + 1, last - 1))
                });
                (
                    if why.is_refusal() { StretchFate::Refused(*why) } else { StretchFate::Unmatched(*why) },
                    tried,
                )
            }
        };
        let rows = (piece.to - piece.from) as u64;
        Stretch { first_line: one.min(other), last_line: one.max(other), rows, repeated: 0, what, sequences }
    }

    /// Repeated rows belong to the stretch that contains their lines, or to the one before.
    fn count_repeated(&self, matching: &mut Matching) {
        let mut at = 0;
        for &(row, _) in &self.file.repeated {
            let line = self.file.rows[row as usize].line;
            while matching.stretches.get(at + 1).is_some_and(|next| next.first_line <= line) {
                at += 1;
            }
            if let Some(stretch) = matching.stretches.get_mut(at) {
                stretch.repeated += 1;
                stretch.last_line = stretch.last_line.max(line);
            }
        }
    }
}
