//! What of a configuration that is read again can be applied to a running daemon, and what cannot. Pure.

use crate::config::{Config, Port, Radio};

/// The keys that differ and change with a restart only, by their names in the file.
pub fn needs_restart(old: &Config, new: &Config) -> Vec<String> {
    let mut keys = Vec::new();
    if old.ledger.path != new.ledger.path {
        keys.push("`path` of [ledger]".to_owned());
    }
    let names = |config: &Config| config.radios.iter().map(|radio| radio.name.clone()).collect::<Vec<_>>();
    if names(old) != names(new) {
        keys.push("the list of radios and their `name`".to_owned());
        return keys;
    }
    for (old, new) in old.radios.iter().zip(&new.radios) {
        keys.extend(port_keys(&old.port, &new.port).map(|key| of_radio(key, new)));
    }
    keys
}

fn of_radio(key: &str, radio: &Radio) -> String {
    format!("`{key}` of radio {:?}", radio.name)
}

fn port_keys(old: &Port, new: &Port) -> impl Iterator<Item = &'static str> {
    let differs = match (old, new) {
        (
            Port::Serial { path, baud, dtr, rts },
            Port::Serial { path: new_path, baud: new_baud, dtr: new_dtr, rts: new_rts },
        ) => [path != new_path, baud != new_baud, dtr != new_dtr, rts != new_rts],
        _ => [old != new, false, false, false],
    };
    ["port", "baud", "dtr", "rts"]
        .into_iter()
        .zip(differs)
        .filter(|&(_, differs)| differs)
        .map(|(key, _)| key)
}
