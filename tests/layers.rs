//! Which module may import which, and the doors: what only one room may use.
//!
//! Reads every path in `src`, in `use` and in bodies, macros' arguments too, outside `#[cfg(test)]` code. Names are
//! followed to their definition (through `pub use`, and `use … as …`), so a re-export cannot get around the rules.
//!
//! There are no exceptions. The test also finds files that use each other in a circle, and items without a doc comment.
//!
//! What this is not: it does not see types that a call returns, nor methods; those need no path.

use proc_macro2::{Delimiter, TokenStream, TokenTree};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::rc::Rc;
use std::str::FromStr;

/// The import table: a room, or a part of one, and what it may import besides itself. The longest entry that fits
/// decides. `*` is everything.
const TABLE: &[(&str, &[&str])] = &[
    // What is it? Pure: each knows only those before it.
    ("time", &[]),
    ("text", &["time"]),
    ("when", &["time", "text"]),
    ("wire", &["time", "text", "when"]),
    ("seal", &["time", "text", "when", "wire"]),
    ("record", &["time", "text", "when", "wire", "seal"]),
    ("units", &["time", "text", "when", "wire", "seal", "record"]),
    ("siting", &["time", "text", "when", "wire", "seal", "record", "units"]),
    // Where is it kept?
    ("files", &["time", "text"]),
    ("state", &["time", "text", "files"]),
    ("config", &["time", "text", "when", "wire", "seal", "record", "units", "siting", "files"]),
    ("link", &["time", "wire", "config/site/Port"]),
    // Its files have times in many styles, which `text` and `when` write and read.
    ("sim", &["time", "text", "when", "wire", "seal", "record", "files"]),
    // Its front door hands on, and nothing inside imports from it.
    ("ledger", &["time", "ledger/db", "ledger/digest", "ledger/read", "ledger/write", "ledger/care"]),
    ("ledger/db", &["time", "text", "wire", "record", "files"]),
    ("ledger/digest", &["time", "text", "wire", "record", "files", "ledger/db"]),
    ("ledger/read", &["time", "text", "wire", "record", "files", "ledger/db", "ledger/digest"]),
    (
        "ledger/write",
        &["time", "text", "wire", "record", "files", "ledger/db", "ledger/digest", "ledger/read"],
    ),
    (
        "ledger/care",
        &[
            "time",
            "text",
            "wire",
            "record",
            "files",
            "ledger/db",
            "ledger/digest",
            "ledger/read",
            "ledger/write",
        ],
    ),
    // What does it mean?
    (
        "report",
        &["time", "text", "when", "wire", "record", "units", "siting", "config", "state", "ledger/read"],
    ),
    (
        "export",
        &["time", "text", "when", "wire", "record", "units", "siting", "files", "report", "ledger/read"],
    ),
    (
        "plot",
        &["time", "text", "when", "wire", "record", "units", "siting", "files", "report", "ledger/read"],
    ),
    (
        "hand",
        &[
            "time",
            "text",
            "when",
            "wire",
            "seal",
            "record",
            "units",
            "siting",
            "config",
            "files",
            "report",
            "ledger/read",
        ],
    ),
    // How is it said, and asked?
    ("view", &["time", "text", "wire", "record", "report", "hand", "export", "plot", "ledger/care"]),
    (
        "page",
        &[
            "time",
            "text",
            "wire",
            "record",
            "config",
            "state",
            "report",
            "view",
            "plot",
            "export",
            "ledger/read",
        ],
    ),
    (
        "notices",
        &["time", "text", "wire", "record", "config", "state", "files", "report", "view", "ledger/read"],
    ),
    (
        "office",
        &[
            "time",
            "text",
            "wire",
            "record",
            "config",
            "state",
            "files",
            "report",
            "export",
            "ledger/digest",
            "ledger/read",
        ],
    ),
    (
        "office/pull",
        &[
            "time",
            "text",
            "wire",
            "record",
            "config",
            "state",
            "files",
            "report",
            "export",
            "ledger/digest",
            "ledger/read",
            "ledger/care/replica",
        ],
    ),
    (
        "daemon",
        &[
            "link",
            "time",
            "text",
            "when",
            "wire",
            "seal",
            "record",
            "units",
            "siting",
            "config",
            "files",
            "state",
            "report/memory",
            "report/ask",
            "report/conditions",
            "ledger",
        ],
    ),
    ("cli", &["*"]),
    // Their only work is to hand on, and to name what there is.
    ("main", &["*"]),
    ("lib", &["*"]),
];

/// A door: what only few may use. `what` are libraries, or items of our own by their place.
struct Door {
    name: &'static str,
    what: &'static [&'static str],
    /// Who may, and for good.
    keepers: &'static [&'static str],
}

const DOORS: &[Door] = &[
    // The demo compares the ledger with the truth through its public views, as an outside client would.
    Door { name: "rusqlite", what: &["rusqlite"], keepers: &["ledger", "cli/demo"] },
    Door { name: "chrono", what: &["chrono", "chrono_tz"], keepers: &["time", "text", "when"] },
    Door {
        name: "std::fs",
        what: &["std/fs", "tokio/fs"],
        keepers: &["files", "config/file", "state", "ledger/db"],
    },
    // The same without the standard library. `link` opens devices, and makes links to its pseudo-terminals.
    Door { name: "rustix::fs", what: &["rustix/fs"], keepers: &["files", "ledger/db", "link"] },
    // Types that show or take a key's bytes. `config/keys` reads digits into them; the two commands make keys and hand
    // them out; simulated loggers have keys as real ones do.
    Door {
        name: "keys' bytes",
        what: &["seal/SlotKey", "seal/SiteKey", "seal/hex"],
        keepers: &["seal", "config/keys", "cli/key", "cli/init", "sim/sealer"],
    },
    Door {
        name: "the keyring's file",
        what: &["config/keys", "config/load_keyring", "config/load_keyring_in", "config/survey"],
        keepers: &[
            "config",
            "daemon",
            "cli/run",
            "cli/import",
            "cli/compare",
            "cli/set_aside",
            "cli/key",
            "cli/check",
            "cli/init",
            "cli/enrol",
        ],
    },
];

/// Whether `place` is `of`, or in it.
fn is_in(place: &str, of: &str) -> bool {
    of == "*" || place.strip_prefix(of).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
}

/// The room of a place: what the list and messages name.
fn room(place: &str) -> String {
    let mut parts = place.split('/');
    let first = parts.next().unwrap_or_default();
    match (first, parts.next()) {
        ("ledger", Some(second)) => format!("ledger/{second}"),
        _ => first.to_owned(),
    }
}

/// One path as it is written in a file: `a::b::c`, and whether it is in a `use`, with the name that it gets there.
struct Written {
    path: Vec<String>,
    name: Option<String>,
    public: bool,
    /// Inline modules around it.
    inside: Vec<String>,
}

/// What a file says: its paths outside tests, and the modules that are there only for tests.
#[derive(Default)]
struct Said {
    paths: Vec<Written>,
    of_tests: BTreeSet<String>,
}

fn word(tree: Option<&TokenTree>) -> Option<String> {
    match tree {
        Some(TokenTree::Ident(word)) => Some(word.to_string()),
        _ => None,
    }
}

fn is_sign(tree: Option<&TokenTree>, sign: char) -> bool {
    matches!(tree, Some(TokenTree::Punct(punct)) if punct.as_char() == sign)
}

fn is_step(trees: &[TokenTree], at: usize) -> bool {
    is_sign(trees.get(at), ':') && is_sign(trees.get(at + 1), ':')
}

/// Whether `#[…]` says that what follows is for tests only.
fn is_for_tests(attribute: &TokenTree) -> bool {
    let TokenTree::Group(group) = attribute else { return false };
    let text = group.stream().to_string().replace(' ', "");
    let inner = text.strip_prefix("cfg(").and_then(|rest| rest.strip_suffix(')'));
    inner == Some("test") || inner.is_some_and(|inner| inner.starts_with("all(test,"))
}

/// The index after the item that starts at `at`.
fn after_item(trees: &[TokenTree], mut at: usize, said: &mut Said, inside: &[String]) -> usize {
    while is_sign(trees.get(at), '#') {
        at += 2;
    }
    if word(trees.get(at)).as_deref() == Some("pub") {
        at += 1;
        if matches!(trees.get(at), Some(TokenTree::Group(group)) if group.delimiter() == Delimiter::Parenthesis)
        {
            at += 1;
        }
    }
    let first = word(trees.get(at)).unwrap_or_default();
    let second = word(trees.get(at + 1)).unwrap_or_default();
    if first == "mod" && is_sign(trees.get(at + 2), ';') {
        said.of_tests.extend((inside.is_empty()).then_some(second.clone()));
    }
    let to_brace = ["fn", "mod", "impl", "struct", "enum", "trait", "unsafe", "async", "macro_rules"]
        .contains(&first.as_str())
        || (first == "const" && second == "fn");
    let to_semicolon = ["use", "const", "static", "let", "type", "extern"].contains(&first.as_str());
    while let Some(tree) = trees.get(at) {
        at += 1;
        let ends = match tree {
            TokenTree::Group(group) => to_brace && group.delimiter() == Delimiter::Brace,
            TokenTree::Punct(punct) => match punct.as_char() {
                ';' => true,
                ',' => !to_brace && !to_semicolon,
                _ => false,
            },
            _ => false,
        };
        if ends {
            break;
        }
    }
    at
}

/// Every path of some code into `said`.
fn read(stream: TokenStream, inside: &[String], said: &mut Said) {
    let trees: Vec<TokenTree> = stream.into_iter().collect();
    let mut at = 0;
    let mut public = false;
    while at < trees.len() {
        if is_sign(trees.get(at), '#') && trees.get(at + 1).is_some_and(is_for_tests) {
            at = after_item(&trees, at + 2, said, inside);
            continue;
        }
        match &trees[at] {
            // `pub(in …)` imports nothing.
            TokenTree::Group(group) if public && group.delimiter() == Delimiter::Parenthesis => {
                at += 1;
                continue;
            }
            TokenTree::Group(group) => read(group.stream(), inside, said),
            TokenTree::Ident(found) => {
                let found = found.to_string();
                match found.as_str() {
                    // Not `use<'a>` of a return type.
                    "use" if !is_sign(trees.get(at + 1), '<') => {
                        at = read_use(&trees, at + 1, &[], public, inside, said);
                        public = false;
                        continue;
                    }
                    "mod" => {
                        if let (Some(name), Some(TokenTree::Group(body))) =
                            (word(trees.get(at + 1)), trees.get(at + 2))
                        {
                            read(body.stream(), &[inside, &[name]].concat(), said);
                            at += 3;
                            continue;
                        }
                    }
                    _ if is_step(&trees, at + 1) => {
                        let mut path = vec![found];
                        at += 1;
                        while is_step(&trees, at) {
                            let Some(next) = word(trees.get(at + 2)) else { break };
                            path.push(next);
                            at += 3;
                        }
                        said.paths.push(Written { path, name: None, public: false, inside: inside.to_vec() });
                        continue;
                    }
                    _ => {}
                }
                public = found == "pub";
            }
            TokenTree::Punct(_) => public = false,
            TokenTree::Literal(_) => {}
        }
        at += 1;
    }
}

/// The leaves of a `use` from `at` on; the index after it.
fn read_use(
    trees: &[TokenTree],
    mut at: usize,
    before: &[String],
    public: bool,
    inside: &[String],
    said: &mut Said,
) -> usize {
    let mut path = before.to_vec();
    let mut name = None;
    let mut whole = true;
    let mut leaf = |path: &mut Vec<String>, name: &mut Option<String>, whole: &mut bool| {
        if *whole && path.len() > before.len() {
            if path.last().is_some_and(|last| last == "self") && path.len() > 1 {
                path.pop();
            }
            let name = name.take().or_else(|| path.last().cloned());
            said.paths.push(Written { path: path.clone(), name, public, inside: inside.to_vec() });
        }
        *path = before.to_vec();
        *whole = true;
    };
    let mut groups = Vec::new();
    while let Some(tree) = trees.get(at) {
        at += 1;
        match tree {
            TokenTree::Ident(found) if *found == "as" => {
                name = word(trees.get(at));
                at += 1;
            }
            TokenTree::Ident(found) => path.push(found.to_string()),
            TokenTree::Group(group) => {
                groups.push((group.stream(), path.clone()));
                whole = false;
            }
            TokenTree::Punct(punct) => match punct.as_char() {
                '*' => path.push("*".to_owned()),
                ',' => leaf(&mut path, &mut name, &mut whole),
                ';' => break,
                _ => {}
            },
            TokenTree::Literal(_) => {}
        }
    }
    leaf(&mut path, &mut name, &mut whole);
    for (stream, path) in groups {
        let trees: Vec<TokenTree> = stream.into_iter().collect();
        read_use(&trees, 0, &path, public, inside, said);
    }
    at
}

/// Where a path leads.
enum Reached {
    /// Out of our own code.
    Library(String),
    /// To a module, and to what `rest` names in it; to the module itself if that is empty.
    Ours { module: String, rest: Vec<String> },
}

/// A program to be judged.
struct Program {
    /// By module (`ledger/append`; the root is ""): the file, and what it says.
    modules: BTreeMap<String, (String, Rc<Said>)>,
    /// The modules that have others below them.
    fronts: BTreeSet<String>,
    /// By module: names that `use` brings in, and what they are, as absolute paths.
    brought: BTreeMap<String, BTreeMap<String, Vec<String>>>,
}

impl Program {
    fn of(files: &BTreeMap<String, Rc<Said>>) -> Self {
        let mut modules = BTreeMap::new();
        for (file, said) in files {
            modules.insert(module_of(file), (file.clone(), Rc::clone(said)));
        }
        let of_tests: Vec<String> = modules
            .iter()
            .flat_map(|(module, (_, said))| said.of_tests.iter().map(|name| join(module, name)))
            .collect();
        modules.retain(|module, _| !of_tests.iter().any(|test| is_in(module, test)));
        let fronts =
            modules.keys().filter_map(|module| module.rsplit_once('/')).map(|(front, _)| front.to_owned());
        let mut program = Self { fronts: fronts.collect(), modules, brought: BTreeMap::new() };
        let mut brought: BTreeMap<String, BTreeMap<String, Vec<String>>> = BTreeMap::new();
        for (module, (_, said)) in &program.modules {
            for written in &said.paths {
                if let Some(name) = written.name.as_ref().filter(|name| *name != "*" && *name != "_") {
                    let path = program.absolute(module, written);
                    brought.entry(module.clone()).or_default().insert(name.clone(), path);
                }
            }
        }
        program.brought = brought;
        program
    }

    /// A path from the root: "" and then our own modules, or a library and then what is in it.
    fn absolute(&self, module: &str, written: &Written) -> Vec<String> {
        let own = |parts: &[&str], rest: &[String]| -> Vec<String> {
            let parts = parts.iter().filter(|part| !part.is_empty()).map(|part| (*part).to_owned());
            std::iter::once(String::new()).chain(parts).chain(rest.iter().cloned()).collect()
        };
        let here: Vec<&str> =
            module.split('/').chain(written.inside.iter().map(String::as_str)).collect::<Vec<_>>();
        let path = &written.path;
        match path[0].as_str() {
            "crate" | "stonechat" => own(&[], &path[1..]),
            "self" => own(&here, &path[1..]),
            "super" => {
                let up = path.iter().take_while(|step| *step == "super").count();
                assert!(up <= here.len(), "{module}: {}", path.join("::"));
                own(&here[..here.len() - up], &path[up..])
            }
            first => {
                // A `use` of the file, or a module next to it: also from within an inline module, which is right often
                // enough, since names of modules are few.
                let known = self.brought.get(module).and_then(|names| names.get(first));
                match known {
                    Some(brought) if written.name.is_none() || brought[1..] != path[1..] => {
                        [brought.as_slice(), &path[1..]].concat()
                    }
                    _ if self.modules.contains_key(&join(module, first)) => {
                        own(&module.split('/').collect::<Vec<_>>(), path)
                    }
                    _ => path.clone(),
                }
            }
        }
    }

    /// Where the thing is defined: an item's place in our own code, or a library's path, joined by `/`.
    fn place(&self, path: &[String]) -> String {
        match self.reached(path, 0) {
            Reached::Library(path) => path,
            // What the root does not have is a room that is not there, or not yet.
            Reached::Ours { module, rest } if module.is_empty() => rest.join("/"),
            // A module by itself is only the way to what is in it.
            Reached::Ours { module, rest } if rest.is_empty() && self.is_front(&module) => module,
            Reached::Ours { module, rest } if rest.is_empty() => module,
            Reached::Ours { module, rest } => format!("{}/{}", module, rest.join("/")),
        }
    }

    /// Where the thing is defined: the module, and what is left of the path there.
    fn reached(&self, path: &[String], depth: usize) -> Reached {
        if path.first().is_none_or(|first| !first.is_empty()) {
            return Reached::Library(path.join("/"));
        }
        let mut module = String::new();
        for (at, step) in path.iter().enumerate().skip(1) {
            let next = join(&module, step);
            if self.modules.contains_key(&next) {
                module = next;
                continue;
            }
            // What a module has brought in is reached through it: follow it to where it is defined.
            if let Some(brought) = self.brought.get(&module).and_then(|names| names.get(step))
                && depth < 16
                && brought[..] != path[..=at]
            {
                return self.reached(&[brought.as_slice(), &path[at + 1..]].concat(), depth + 1);
            }
            return Reached::Ours { module, rest: path[at..].to_vec() };
        }
        Reached::Ours { module, rest: Vec::new() }
    }

    /// By module: the modules of which it uses something.
    fn used(&self) -> BTreeMap<&str, BTreeSet<String>> {
        let mut used: BTreeMap<&str, BTreeSet<String>> = BTreeMap::new();
        for (module, (_, said)) in &self.modules {
            for written in &said.paths {
                let path = self.absolute(module, written);
                if self.is_handed_on(module, written, &path) {
                    continue;
                }
                // A module that is only named is used where something of it is.
                if let Reached::Ours { module: other, rest } = self.reached(&path, 0)
                    && !rest.is_empty()
                    && other != *module
                    && self.modules.contains_key(&other)
                {
                    used.entry(module).or_default().insert(other);
                }
            }
        }
        used
    }

    /// The files that use each other in a circle, however long it is.
    fn in_circles(&self) -> BTreeSet<String> {
        let used = self.used();
        let from = |module: &str| -> BTreeSet<&str> {
            let mut seen = BTreeSet::new();
            let mut next: Vec<&str> = used.get(module).into_iter().flatten().map(String::as_str).collect();
            while let Some(module) = next.pop() {
                if seen.insert(module) {
                    next.extend(used.get(module).into_iter().flatten().map(String::as_str));
                }
            }
            seen
        };
        let circles = self.modules.iter().filter(|(module, _)| from(module).contains(module.as_str()));
        circles.map(|(_, (file, _))| format!("src/{file}")).collect()
    }

    /// A module may say what is in its own folder: that is what a front door is.
    fn is_handed_on(&self, module: &str, written: &Written, path: &[String]) -> bool {
        written.public && path.len() > 1 && is_in(&path[1..].join("/"), module) && !module.is_empty()
    }

    /// Whether other modules are below it.
    fn is_front(&self, module: &str) -> bool {
        self.fronts.contains(module)
    }

    /// Everything that is against the table or goes through a door, as lines of the list; and what cannot be judged. Of
    /// one file, or of all.
    fn violations(&self, of: Option<&str>) -> (BTreeSet<String>, BTreeSet<String>) {
        let mut found = BTreeSet::new();
        let mut unknown = BTreeSet::new();
        for (module, (file, said)) in &self.modules {
            if of.is_some_and(|of| of != file) {
                continue;
            }
            let place = if module.is_empty() { "lib".to_owned() } else { module.clone() };
            let rule = TABLE.iter().filter(|(of, _)| is_in(&place, of)).max_by_key(|(of, _)| of.len());
            let Some((_, allowed)) = rule else {
                unknown
                    .insert(format!("src/{file} is in no room of TABLE; give it a line there, or move it"));
                continue;
            };
            for written in &said.paths {
                let path = self.absolute(module, written);
                let target = self.place(&path);
                for door in DOORS {
                    let kept = door.keepers.iter().any(|keeper| is_in(&place, keeper));
                    if !kept && door.what.iter().any(|what| is_in(&target, what)) {
                        found.insert(format!("src/{file} -> {}", door.name));
                    }
                }
                let ours = path[0].is_empty();
                let front = self.is_handed_on(module, written, &path);
                let same = room(&target) == room(&place);
                // Naming a folder on the way to what may be imported from it is not an import: what is reached through
                // the name is judged where it is used.
                let may = |of: &&str| is_in(&target, of) || (self.is_front(&target) && is_in(of, &target));
                if ours && !same && !front && !allowed.iter().any(may) {
                    found.insert(format!("src/{file} -> {}", room(&target)));
                }
            }
        }
        (found, unknown)
    }
}

/// The module that a file below `src` is; the root is "".
fn module_of(file: &str) -> String {
    let module = file.trim_end_matches(".rs").trim_end_matches("/mod");
    if module == "lib" { String::new() } else { module.to_owned() }
}

fn join(module: &str, name: &str) -> String {
    if module.is_empty() { name.to_owned() } else { format!("{module}/{name}") }
}

/// What a file's text says.
fn said(file: &str, text: &str) -> Rc<Said> {
    let mut said = Said::default();
    let tokens = TokenStream::from_str(text).unwrap_or_else(|error| panic!("src/{file}: {error}"));
    read(tokens, &[], &mut said);
    Rc::new(said)
}

/// The program's own files, by their paths below `src`.
fn texts() -> BTreeMap<String, String> {
    fn walk(folder: &Path, below: &str, texts: &mut BTreeMap<String, String>) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let name = join(below, path.file_name().unwrap().to_str().unwrap());
            if path.is_dir() {
                walk(&path, &name, texts);
            } else if name.ends_with(".rs") {
                texts.insert(name, std::fs::read_to_string(&path).unwrap());
            }
        }
    }
    let mut texts = BTreeMap::new();
    walk(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), "", &mut texts);
    texts
}

/// The program as it is, to plant violations in.
struct Garden {
    texts: BTreeMap<String, String>,
    files: BTreeMap<String, Rc<Said>>,
    before: BTreeSet<String>,
}

impl Garden {
    fn new() -> Self {
        let texts = texts();
        let files = texts.iter().map(|(file, text)| (file.clone(), said(file, text))).collect();
        let (before, _) = Program::of(&files).violations(None);
        Self { texts, files, before }
    }

    /// What a file of this room, the first that violates nothing, would use against the table and the doors once `code`
    /// is added to it. By room, since files move.
    fn planted(&self, room: &str, code: &str) -> Vec<String> {
        let violates =
            |file: &str| self.before.iter().any(|line| line.starts_with(&format!("src/{file} -> ")));
        let (file, text) = self
            .texts
            .iter()
            .find(|(file, _)| is_in(&module_of(file), room) && !violates(file))
            .unwrap_or_else(|| panic!("no file of {room} violates nothing"));
        let mut files = self.files.clone();
        files.insert(file.to_owned(), said(file, &format!("{text}\n{code}")));
        let (found, _) = Program::of(&files).violations(Some(file));
        let begin = format!("src/{file} -> ");
        found.iter().map(|line| line.strip_prefix(&begin).unwrap_or(line).to_owned()).collect()
    }
}

/// A program of a few invented files.
fn invented(files: &[(&str, &str)]) -> Program {
    Program::of(&files.iter().map(|(file, text)| ((*file).to_owned(), said(file, text))).collect())
}

fn found_in(files: &[(&str, &str)]) -> Vec<String> {
    invented(files).violations(None).0.into_iter().collect()
}

#[test]
fn every_file_imports_only_what_its_room_may() {
    let files: BTreeMap<_, _> =
        texts().into_iter().map(|(file, text)| (file.clone(), said(&file, &text))).collect();
    assert!(files.len() > 250, "{} files", files.len());
    let (found, unknown) = Program::of(&files).violations(None);
    let hint = "these files use what their room may not (TABLE and DOORS in tests/layers.rs)";
    assert!(found.is_empty(), "{hint}: {found:#?}");
    assert!(unknown.is_empty(), "these cannot be judged: {unknown:#?}");
}

#[test]
fn no_files_use_each_other_in_a_circle() {
    let files = texts().into_iter().map(|(file, text)| (file.clone(), said(&file, &text))).collect();
    let found = Program::of(&files).in_circles();
    assert!(found.is_empty(), "these files use each other in a circle: {found:#?}");
}

/// What a file leaves unsaid: what it is for, and what its public functions and types at the top level are for. Fields,
/// variants and methods may need no more than their names.
fn unsaid(text: &str) -> Vec<String> {
    let trees: Vec<TokenTree> = TokenStream::from_str(text).unwrap().into_iter().collect();
    let mut unsaid = Vec::new();
    if !text.starts_with("//!") {
        unsaid.push("//!".to_owned());
    }
    let (mut said, mut public) = (false, false);
    for (at, tree) in trees.iter().enumerate() {
        let next = word(trees.get(at + 1));
        match tree {
            TokenTree::Group(group) => match group.delimiter() {
                Delimiter::Bracket if at > 0 && is_sign(trees.get(at - 1), '#') => {
                    // clap would show a comment on arguments that several commands take in as the description of each.
                    let text = group.stream().to_string().replace(' ', "");
                    said |= text.starts_with("doc=") || text == "derive(clap::Args)";
                }
                Delimiter::Brace => (said, public) = (false, false),
                // `pub(super)`, and what is after the name.
                Delimiter::Parenthesis => public = false,
                _ => {}
            },
            TokenTree::Ident(found) => match (found.to_string().as_str(), next) {
                ("pub", _) => public = true,
                ("fn" | "struct" | "enum" | "trait", Some(name)) if public && !said => unsaid.push(name),
                _ => {}
            },
            TokenTree::Punct(punct) if punct.as_char() == ';' => (said, public) = (false, false),
            _ => {}
        }
    }
    unsaid
}

#[test]
fn each_file_and_each_public_item_at_its_top_level_says_what_it_is_for() {
    let all = texts()
        .into_iter()
        .flat_map(|(file, text)| unsaid(&text).into_iter().map(move |what| format!("src/{file}: {what}")));
    let found: Vec<String> = all.collect();
    assert!(found.is_empty(), "these have no doc comment: {found:#?}");
    let code = "#[derive(Debug)] pub struct A { pub a: u8 } /// Said.\n#[must_use] pub const fn b() {} pub fn c(d: u8) {}
        #[derive(clap::Args)] pub struct I; pub(super) enum E {} /// Said.\npub const F: fn() = b; pub trait G {} impl G for A { pub fn h() {} }";
    assert_eq!(unsaid(&format!("//! Said.\n{code}")), ["A", "c", "G"]);
    assert_eq!(unsaid("// Not said.\nuse a::{b};\n"), ["//!"]);
}

#[test]
fn a_circle_of_files_is_found_however_long_it_is_and_through_re_exports() {
    let of_front = |front: &str, c: &str| -> Vec<String> {
        let files = [
            ("lib.rs", "pub mod a; pub mod b;"),
            ("a.rs", "use crate::b::Of;"),
            ("b/mod.rs", front),
            ("b/c.rs", c),
            ("b/d.rs", "pub struct Of;"),
        ];
        invented(&files).in_circles().into_iter().collect()
    };
    let front = "mod c; mod d; pub use c::Of; pub use d::Of as Other;";
    assert_eq!(of_front(front, "pub struct Of;"), [""; 0], "a front door is no circle");
    let long = ["src/a.rs", "src/b/c.rs"];
    assert_eq!(of_front(front, "pub struct Of; fn f() { crate::a::planted(); }"), long);
    let with_front = "mod c; mod d; pub use c::Of; pub struct Kind; fn f() -> c::Of { todo!() }";
    assert_eq!(of_front(with_front, "pub struct Of(super::Kind);"), ["src/b/c.rs", "src/b/mod.rs"]);
    // Of tests, nothing counts.
    let of_tests = "pub struct Of; #[cfg(test)] mod tests { use crate::a::planted; }";
    assert_eq!(of_front(front, of_tests), [""; 0]);
}

#[test]
fn a_planted_import_of_a_floor_above_is_found_in_use_and_in_bodies() {
    let garden = Garden::new();
    let report = "fn planted() { let _ = crate::report::planted(); }";
    assert_eq!(garden.planted("wire", "use crate::cli::Command;"), ["cli"]);
    assert_eq!(garden.planted("wire", report), ["report"]);
    assert_eq!(garden.planted("ledger", report), ["report"]);
    // Through `super`, in a group, under another name, as an argument of a macro, and in an inline module.
    for code in [
        "use super::super::cli::Command;",
        "use {crate::{time::Stamp, cli::{self as other, Command}}};",
        "fn planted() { println!(\"{}\", crate::cli::planted()); }",
        "mod inner { fn planted() -> super::super::super::cli::Planted { todo!() } }",
        "pub(crate) use crate::cli as other;",
    ] {
        assert_eq!(garden.planted("wire", code), ["cli"], "{code}");
    }
}

#[test]
fn tests_comments_and_texts_contain_no_imports() {
    let garden = Garden::new();
    for code in [
        "#[cfg(test)] mod more { use crate::cli::Command; }",
        "#[cfg(test)] use crate::cli::{Command, planted};",
        "#[cfg(test)] #[allow(unused)] pub(crate) fn planted(a: u8) -> u8 { crate::cli::planted(a) }",
        "/// See [`crate::cli::Command`].\nstruct Planted;",
        "// use crate::cli::Command;\n/* crate::cli::Command */",
        "const PLANTED: &str = \"crate::cli::Command\";",
    ] {
        assert_eq!(garden.planted("wire", code), [""; 0], "{code}");
    }
    // What follows the test's code is looked at again.
    let code = "#[cfg(test)] fn planted() {} fn other() { crate::cli::planted(); }";
    assert_eq!(garden.planted("wire", code), ["cli"]);
    let of_tests = [
        ("lib.rs", "mod wire; mod cli;"),
        ("wire/mod.rs", "#[cfg(test)] mod tests; mod seq;"),
        ("wire/tests.rs", "use crate::cli::Command;"),
        ("wire/seq.rs", ""),
        ("cli.rs", ""),
    ];
    assert_eq!(found_in(&of_tests), [""; 0]);
}

#[test]
fn a_name_is_followed_through_re_exports_and_local_names_to_where_it_is_defined() {
    let files = |of_report: &'static str| {
        [
            ("lib.rs", "pub mod ledger; pub mod report; pub mod time; pub use time as clock;"),
            ("time.rs", "pub struct Stamp;"),
            ("report.rs", of_report),
            (
                "ledger/mod.rs",
                "pub mod read; pub mod care; pub use read::Snapshot; pub use care::{Backup, lock};",
            ),
            ("ledger/read.rs", "pub use crate::time::Stamp; pub struct Snapshot;"),
            ("ledger/care.rs", "pub struct Backup; pub mod lock {}"),
        ]
    };
    let allowed = ["src/report.rs -> ledger/care"];
    assert_eq!(found_in(&files("use crate::ledger::Snapshot; use crate::clock::Stamp;")), [""; 0]);
    assert_eq!(found_in(&files("use crate::ledger::read::Stamp;")), [""; 0]);
    assert_eq!(found_in(&files("use crate::ledger::Backup;")), allowed);
    assert_eq!(found_in(&files("use crate::ledger as store; fn f() { store::Backup::make(); }")), allowed);
    assert_eq!(
        found_in(&files("use crate::ledger::{self, Snapshot}; fn f() { ledger::lock::take(); }")),
        allowed
    );
}

#[test]
fn a_door_opens_for_its_keepers_only() {
    let garden = Garden::new();
    for (room, code, opened) in [
        ("report", "fn f(db: &rusqlite::Connection) {}", "rusqlite"),
        ("report", "use chrono::Days;", "chrono"),
        ("report", "use std::{io, fs::{self, File}};", "std::fs"),
        ("report", "fn f() { std::fs::read(\"a\"); }", "std::fs"),
        ("wire", "fn f() -> ::std::fs::File { todo!() }", "std::fs"),
        ("report", "fn f() { rustix::fs::stat(\"a\"); }", "rustix::fs"),
        ("link", "use crate::seal::SlotKey;", "keys' bytes"),
        ("cli", "fn f() { crate::config::load_keyring(); }", "the keyring's file"),
        ("cli", "use crate::seal; fn f(k: seal::SiteKey) {}", "keys' bytes"),
    ] {
        let found = garden.planted(room, code);
        assert!(found.contains(&opened.to_owned()), "{code}: {found:?}");
    }
    for (room, code) in [
        ("ledger/read", "fn f(db: &rusqlite::Connection) {}"),
        ("when", "use chrono::Days;"),
        ("files", "fn f() { std::fs::read(\"a\"); }"),
        ("cli", "fn f() { std::io::stdout(); }"),
    ] {
        assert_eq!(garden.planted(room, code), [""; 0], "{code}");
    }
}

#[test]
fn a_file_that_has_no_room_is_named() {
    let (_, unknown) = invented(&[("lib.rs", "mod cellar;"), ("cellar.rs", "")]).violations(None);
    assert_eq!(unknown.len(), 1, "{unknown:?}");
    assert!(unknown.iter().all(|line| line.starts_with("src/cellar.rs is in no room")), "{unknown:?}");
}

/// What the page for contributors lets a room import.
fn stated(page: &str, room: &str) -> BTreeSet<String> {
    const PURE: [&str; 8] = ["time", "text", "when", "wire", "seal", "record", "units", "siting"];
    const LEDGER: [&str; 5] = ["ledger/db", "ledger/digest", "ledger/read", "ledger/write", "ledger/care"];
    let names = |names: &[&str]| names.iter().map(|&name| name.to_owned()).collect::<BTreeSet<String>>();
    let row = page.lines().filter_map(|line| line.strip_prefix("| ")?.strip_suffix(" |")?.split_once(" | "));
    let (rooms, may) = row
        .filter(|(rooms, may)| !may.contains("what is in it") && !rooms.contains('`'))
        .find(|(rooms, _)| rooms.split(", ").any(|name| name == room))
        .unwrap_or_else(|| panic!("DEVELOPERS.md has no row for {room}"));
    let before = |all: &[&str]| names(&all[..all.iter().position(|&name| name == room).unwrap()]);
    if may == "those to its left" {
        assert_eq!(rooms.split(", ").collect::<Vec<_>>(), PURE);
        return before(&PURE);
    }
    let mut all = BTreeSet::new();
    for part in may.split(';').flat_map(|part| part.split(", ")).map(str::trim) {
        match part.split_once(": ").map_or(part, |(part, _)| part) {
            "pure" => all.extend(names(&PURE)),
            "pure but seal" => all.extend(names(&PURE).into_iter().filter(|name| name != "seal")),
            "all" => all.extend(names(&["*"])),
            "as ledger/db" => all.extend(stated(page, "ledger/db")),
            "and the ledger's rooms before it in this order" => all.extend(before(&LEDGER)),
            name => all.extend(names(&[name])),
        }
    }
    all
}

#[test]
fn the_page_for_contributors_has_the_table_that_is_tested() {
    let page = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("DEVELOPERS.md")).unwrap();
    // Rooms to come have no row yet; who only hands on needs none.
    let without = ["page", "notices", "office", "office/pull", "main", "lib", "ledger"];
    for (room, may) in TABLE.iter().filter(|(room, _)| !without.contains(room)) {
        let may: BTreeSet<String> = may.iter().map(|&name| name.to_owned()).collect();
        assert_eq!(stated(&page, room), may, "{room}");
    }
}
