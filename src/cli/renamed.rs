//! Old names of commands and options: each is refused with its new name.
//!
//! Input: arguments that were not understood. Output: the new word, if an old one is among them. What this is not: nothing
//! is done under an old name.

/// The command (empty: the word is the command itself), the old word, and what to write now.
const RENAMED: &[(&str, &str, &str)] = &[
    ("", "manual", "manual-reading"),
    ("verify", "--salvage", "salvage FROM"),
    ("export", "--units", "export --calibrations FILE"),
    ("plot", "--units", "plot --calibrations FILE"),
    ("units", "--units", "units … --calibrations FILE"),
    ("gaps", "--since", "gaps --from TIME"),
    ("import", "--list", "import list"),
    ("import", "--withdraw", "import withdraw ID"),
    ("write-off", "--list", "write-off list"),
];

/// The message for the first old word in these arguments, which were not understood.
pub fn hint(args: &[String]) -> Option<String> {
    let is = |arg: &String, old: &str| arg.split('=').next() == Some(old);
    RENAMED.iter().find_map(|&(command, old, new)| {
        let found = match command {
            "" => args.iter().any(|arg| arg == old),
            _ => args.iter().any(|arg| arg == command) && args.iter().any(|arg| is(arg, old)),
        };
        let was = format!("{command} {old}");
        found.then(|| format!("`{}` has a new name; write `stonechat {new}`", was.trim()))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_old_word_is_refused_and_the_new_one_is_named() {
        for &(command, old, new) in RENAMED {
            let words: Vec<&str> = ["stonechat", "-c", "site.toml", command, old, "1"]
                .into_iter()
                .filter(|word| !word.is_empty())
                .collect();
            assert!(super::super::command().try_get_matches_from(&words).is_err(), "{words:?}");
            let args: Vec<String> = words[1..].iter().map(ToString::to_string).collect();
            let hint = hint(&args).unwrap_or_default();
            assert!(hint.contains(&format!("`stonechat {new}`")), "{words:?}: {hint}");
        }
        assert_eq!(hint(&["export".to_owned(), "--list".to_owned()]), None);
        assert!(hint(&["plot".to_owned(), "--units=c.toml".to_owned()]).is_some());
    }
}
