//! Every command and every configuration file has a page; the programs that read pages and completions accept them.

use crate::util::terminal::Terminal;
use crate::{has, pages, project, read, succeeds};
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

fn files() -> BTreeMap<String, Vec<u8>> {
    pages::all(&project().join("config")).unwrap()
}

fn text(files: &BTreeMap<String, Vec<u8>>, name: &str) -> String {
    let page = files.get(name).unwrap_or_else(|| panic!("there is no {name}"));
    // As a reader sees it: without roff's marks.
    String::from_utf8(page.clone())
        .unwrap()
        .replace("\\fB", "")
        .replace("\\fR", "")
        .replace("\\fI", "")
        .replace("\\-", "-")
        .replace("\\*(Aq", "'")
        .replace("\\(dq", "\"")
}

fn each_command(command: &clap::Command, path: &str, seen: &mut Vec<(String, clap::Command)>) {
    seen.push((path.to_owned(), command.clone()));
    for below in command.get_subcommands() {
        each_command(below, &format!("{path}-{}", below.get_name()), seen);
    }
}

#[test]
fn every_command_has_a_page_with_each_of_its_options() {
    let files = files();
    let mut commands = Vec::new();
    each_command(&stonechat::cli::command(), "stonechat", &mut commands);
    assert!(commands.len() > 25, "{}", commands.len());
    for (name, command) in &commands {
        let page = text(&files, &format!("man1/{name}.1"));
        let about = command.get_about().unwrap().to_string();
        assert!(page.contains(&about), "{name}: {about}\n{page}");
        for argument in command.get_arguments().filter(|argument| !argument.is_hide_set()) {
            if let Some(long) = argument.get_long() {
                assert!(page.contains(&format!("--{long}")), "{name} does not tell of --{long}");
            }
        }
        for argument in command.get_arguments().filter(|argument| argument.is_hide_set()) {
            let long = argument.get_long().unwrap();
            assert!(!page.contains(&format!("--{long}")), "{name} tells of --{long}, which is hidden");
        }
        assert!(page.contains("EXIT STATUS"), "{name}");
    }
    let of_commands = files.keys().filter(|name| name.starts_with("man1/")).count();
    assert_eq!(of_commands, commands.len(), "a page without a command");
}

#[test]
fn every_configuration_file_has_a_page_with_each_of_its_keys_and_what_is_said_of_it() {
    let files = files();
    let mut keys = 0;
    for entry in std::fs::read_dir(project().join("config")).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        let Some(stem) = name.strip_suffix(".toml") else { continue };
        let page = text(&files, &format!("man5/stonechat-{stem}.5"));
        for line in read(&format!("config/{name}")).lines() {
            let comment = line.strip_prefix("# ").filter(|text| !pages::is_entry(text));
            // The first line is the page's name.
            match comment {
                Some(text) if !text.starts_with(&name) => {
                    assert!(page.contains(text.trim()), "{name}: {text}");
                }
                _ => {}
            }
            let entry = line.trim_start_matches("# ");
            if pages::is_entry(entry) {
                keys += 1;
                let key = entry.split(" = ").next().unwrap();
                assert!(page.contains(key), "{name}: {key}");
            }
        }
        assert!(page.contains("SH NAME") && page.contains("EXAMPLE"), "{stem}");
    }
    assert!(keys > 100, "{keys}");
}

#[test]
fn the_key_of_the_serial_port_is_reported_with_its_meaning_below_its_table() {
    let page = text(&files(), "man5/stonechat-site.5");
    let after =
        |text: &str, from: usize| from + page[from..].find(text).unwrap_or_else(|| panic!("{text}: {page}"));
    let table = after(".SH [[radio]]", 0);
    let key = after(".B port = \"/dev/serial/by-id/", table);
    after("A serial device, best by its permanent name", key);
    // Two keys under one comment share it.
    let dtr = after(".TP\n.B # dtr = true\n.TQ\n.B # rts = true\n", table);
    after("What the modem lines are set to", dtr);
}

/// groff's man macros read them without a warning.
#[test]
fn the_manual_reader_has_no_complaint() {
    if !has("man") || !has("groff") {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    for (name, page) in files().iter().filter(|(name, _)| name.starts_with("man")) {
        let path = dir.path().join(name.replace('/', "-"));
        std::fs::write(&path, page).unwrap();
        // `break`: a long word or a table line that does not fit is not a mistake of the page.
        let mut command = Command::new("groff");
        command.args(["-man", "-Kutf8", "-Tutf8", "-z", "-wall", "-Wbreak", "-rLL=100n"]).arg(&path);
        let said = succeeds(&mut command);
        assert_eq!(said, "", "{name}");
    }
}

#[test]
fn bash_completes_a_command_and_an_option() {
    if !has("bash") {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("stonechat");
    std::fs::write(&file, &files()["completions/stonechat.bash"]).unwrap();
    let completes = |words: &str, at: usize| {
        let script = format!(
            "source '{}'; COMP_WORDS=({words}); COMP_CWORD={at}; _stonechat stonechat \"${{COMP_WORDS[{at}]}}\" \
             \"${{COMP_WORDS[{at}-1]}}\"; echo \"${{COMPREPLY[@]}}\"",
            file.display()
        );
        succeeds(Command::new("bash").args(["--norc", "-c", &script])).trim().to_owned()
    };
    assert_eq!(completes("stonechat ga", 1), "gaps");
    assert_eq!(completes("stonechat key der", 2), "derive");
    assert_eq!(completes("stonechat gaps --fail", 2), "--fail-if-open");
}

#[test]
fn the_other_shells_read_their_completions() {
    let dir = tempfile::tempdir().unwrap();
    for (shell, name) in [("zsh", "_stonechat"), ("fish", "stonechat.fish")] {
        let text = &files()[&format!("completions/{name}")];
        assert!(String::from_utf8_lossy(text).contains("fail-if-open"), "{name}");
        if has(shell) {
            let file = dir.path().join(name);
            std::fs::write(&file, text).unwrap();
            succeeds(Command::new(shell).arg("-n").arg(&file));
        }
    }
}

/// The commented example of a site, with points, names that shells find hard, and the completions; `stonechat` is in
/// `bin`.
struct Desk {
    dir: tempfile::TempDir,
}

/// Names, and how a person begins to type them in a shell without quotes.
const HARD: [(&str, &str); 4] = [
    ("P-17 toe drain", "P-17"),
    ("Ann's \"wet\" $HOME `id` weir", "Ann"),
    ("north: tail=2", "north:"),
    ("Überlauf 3", "Ü"),
];

impl Desk {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let path = |name: &str| dir.path().join(name);
        for name in ["loggers.toml", "points.toml"] {
            std::fs::copy(project().join("config").join(name), path(name)).unwrap();
        }
        let mut roster = read("config/loggers.toml");
        for (at, (name, _)) in HARD.iter().enumerate().skip(1) {
            let address = 900 + at;
            let entry = "interval_s = 3600\nmemory_records = 8000\nstart_epoch = 1\n";
            roster += &format!("\n[[logger]]\naddress = {address}\nname = {name:?}\n{entry}");
        }
        std::fs::write(path("loggers.toml"), roster).unwrap();
        let site = read("config/site.toml").replace("# [points]\n# file", "[points]\nfile");
        std::fs::write(path("my site.toml"), site).unwrap();
        std::fs::create_dir(path("bin")).unwrap();
        std::os::unix::fs::symlink(env!("CARGO_BIN_EXE_stonechat"), path("bin/stonechat")).unwrap();
        for (name, text) in files().iter().filter(|(name, _)| name.starts_with("completions/")) {
            std::fs::write(path(name.trim_start_matches("completions/")), text).unwrap();
        }
        Self { dir }
    }

    fn path(&self) -> &Path {
        self.dir.path()
    }

    /// A program that finds this `stonechat` first, at home here.
    fn command(&self, program: &str) -> Command {
        let mut paths = vec![self.path().join("bin")];
        paths.extend(std::env::split_paths(&std::env::var_os("PATH").unwrap_or_default()));
        let mut command = Command::new(program);
        command.env("PATH", std::env::join_paths(paths).unwrap()).env("HOME", self.path());
        command.env("TERM", "xterm").env("LC_ALL", "C.UTF-8").env_remove("STONECHAT_CONFIG");
        command.current_dir(self.path());
        command
    }

    fn words(&self, arguments: &[&str]) -> String {
        succeeds(self.command("stonechat").arg("complete-words").args(arguments))
    }

    /// What a shell shows after a person has pressed these keys.
    fn shown(&self, shell: &mut Command, keys: &str) -> String {
        let mut terminal = Terminal::sized(40, 200);
        shell.stdin(terminal.end()).stdout(terminal.end()).stderr(terminal.end());
        let child = shell.spawn().unwrap();
        while !terminal.more().unwrap_or_else(|| panic!("no prompt")).contains("ready> ") {}
        terminal.presses(format!("{keys}\nexit\n").as_bytes());
        terminal.ends(child).1
    }

    /// What the arguments are then. The shell has a function `stonechat`, which prints each between angle brackets.
    fn typed(&self, shell: &mut Command, keys: &str) -> Vec<String> {
        let shown = self.shown(shell, keys);
        let lines = shown.lines().filter_map(|line| line.trim().strip_prefix('<')?.strip_suffix('>'));
        lines.map(str::to_owned).collect()
    }
}

/// What every shell must do with the same keys.
fn completes_words(desk: &Desk, shell: impl Fn() -> Command) {
    let config = "-c 'my site.toml'";
    let mut cases = vec![
        (format!("stonechat {config} visits --logger P-17\t"), "P-17 toe drain"),
        (format!("stonechat visits {config} --logger=P-17\t"), "--logger=P-17 toe drain"),
        (format!("stonechat visits {config} --logger P-17\\ to\t"), "P-17 toe drain"),
        (format!("stonechat visits {config} --logger \"P-17 to\t"), "P-17 toe drain"),
        (format!("stonechat visits {config} --logger 'P-17 to\t"), "P-17 toe drain"),
        (format!("stonechat visits {config} --logger '90\t"), "90"),
        (format!("stonechat units show {config} --point P-17\\ por\t"), "P-17 pore pressure"),
        ("stonechat visits --config=my\\ site.toml --logger 90\t1".to_owned(), "901"),
        ("stonechat visits -c ~/my\\ site.toml --logger Ann\t".to_owned(), HARD[1].0),
        (format!("stonechat vis\t{config} --logger P-17\t"), "P-17 toe drain"),
    ];
    for (name, begun) in HARD {
        cases.push((format!("stonechat visits {config} --logger {begun}\t"), name));
        cases.push((format!("stonechat visits {config} --logger \"{begun}\t"), name));
    }
    // Everything is offered, and the line is given up (Control-U).
    let shown = desk.shown(&mut shell(), &format!("stonechat visits {config} --logger \t\t\u{15}"));
    for word in ["17", "901", r"P-17\ toe\ drain", "north:"] {
        assert!(shown.contains(word), "{word}: {shown}");
    }
    for (keys, last) in cases {
        let keys = if keys.contains("'90") { format!("{keys}'") } else { keys };
        let arguments = desk.typed(&mut shell(), &keys);
        assert_eq!(arguments.last().map(String::as_str), Some(last), "{keys:?}: {arguments:?}");
    }
}

#[test]
fn words_for_shells_are_addresses_names_and_points_and_nothing_when_anything_is_wrong() {
    let desk = Desk::new();
    let site = "my site.toml";
    let loggers = desk.words(&["loggers", "-c", site]);
    let lines: Vec<&str> = loggers.lines().collect();
    assert!(lines.contains(&"17") && lines.contains(&"901"), "{loggers}");
    assert!(HARD.iter().all(|(name, _)| lines.contains(name)), "{loggers}");
    assert!(desk.words(&["points", "-c", site]).lines().any(|line| line == "P-17 pore pressure"));
    // There is no keyring and no ledger: neither is needed. Neither is made.
    assert!(!desk.path().join("keys.toml").exists() && !desk.path().join("ledger.db").exists());
    for wrong in [&["loggers"][..], &["loggers", "-c", "other.toml"], &["keys", "-c", site], &[]] {
        assert_eq!(desk.words(wrong), "", "{wrong:?}");
    }
    let roster = std::fs::read_to_string(desk.path().join("loggers.toml")).unwrap();
    let turned = roster.replace("name = \"north: tail=2\"", "name = \"north\u{202e}south\"");
    std::fs::write(desk.path().join("loggers.toml"), turned).unwrap();
    assert_eq!(desk.words(&["loggers", "-c", site]), "", "a terminal would obey what is in a name");
    std::fs::write(desk.path().join("loggers.toml"), roster + "x").unwrap();
    assert_eq!(desk.words(&["loggers", "-c", site]), "");
}

#[test]
fn every_option_for_a_logger_or_a_point_has_its_words_in_every_shell() {
    let mut commands = Vec::new();
    each_command(&stonechat::cli::command(), "stonechat", &mut commands);
    for (value, kind) in [("LOGGER", "loggers"), ("POINT", "points")] {
        let takes = |argument: &&clap::Arg| {
            argument.get_value_names().is_some_and(|names| names.iter().any(|name| name == value))
        };
        let count: usize =
            commands.iter().map(|(_, command)| command.get_arguments().filter(takes).count()).sum();
        assert!(count >= 4, "{value}: {count}");
        let files = files();
        let shown = |name: &str, text: &str| {
            String::from_utf8_lossy(&files[&format!("completions/{name}")]).matches(text).count()
        };
        assert_eq!(shown("_stonechat", &format!("_stonechat_words {kind}'")), count, "{value}");
        assert_eq!(shown("stonechat.fish", &format!("(__stonechat_words {kind})")), count, "{value}");
        assert_eq!(shown("stonechat.bash", &format!("kind={kind} ;;")), 1, "{value}");
    }
}

#[test]
fn bash_offers_the_rosters_names_and_the_points_quoted_as_the_word_began() {
    if !has("bash") {
        return;
    }
    let desk = Desk::new();
    let start = "PS1='ready> '; bind 'set enable-bracketed-paste off'; bind 'set bell-style none'\n\
                 source stonechat.bash\nstonechat() { printf '<%s>\\n' \"$@\"; }\n";
    std::fs::write(desk.path().join("rc"), start).unwrap();
    let shell = || {
        let mut command = desk.command("bash");
        command.args(["--noprofile", "--rcfile", "rc", "-i"]);
        command
    };
    completes_words(&desk, shell);
}

#[test]
fn zsh_offers_the_rosters_names_and_the_points_quoted_as_the_word_began() {
    if !has("zsh") {
        return;
    }
    let desk = Desk::new();
    let start = "PS1='ready> '; unsetopt beep prompt_sp; fpath=($HOME $fpath); autoload -U compinit; compinit -u -D\n\
                 stonechat() { printf '<%s>\\n' \"$@\"; }\n";
    std::fs::write(desk.path().join(".zshrc"), start).unwrap();
    let shell = || {
        let mut command = desk.command("zsh");
        command.env("ZDOTDIR", desk.path()).args(["-d", "-i"]);
        command
    };
    completes_words(&desk, shell);
}

#[test]
fn fish_offers_the_rosters_names_and_the_points() {
    if !has("fish") {
        return;
    }
    let desk = Desk::new();
    let offers = |line: &str| {
        let script = format!("source stonechat.fish; complete -C {line:?}");
        let offered = succeeds(desk.command("fish").args(["--no-config", "-c", &script]));
        // Behind a tab is the option's description.
        let words = offered.lines().map(|line| line.split('\t').next().unwrap_or_default().to_owned());
        words.collect::<Vec<String>>()
    };
    for config in ["-c 'my site.toml'", "--config='my site.toml'", "-c ~/my\\ site.toml"] {
        let all = offers(&format!("stonechat visits {config} --logger "));
        let has = |name: &str| all.iter().any(|word| word == name);
        assert!(has("17") && HARD.iter().all(|(name, _)| has(name)), "{config}: {all:?}");
        assert_eq!(
            offers(&format!("stonechat {config} visits --logger P-17")),
            ["P-17 toe drain"],
            "{config}"
        );
        let points = offers(&format!("stonechat units show {config} --point P-17"));
        assert!(points.iter().any(|word| word == "P-17 pore pressure"), "{config}: {points:?}");
    }
}
