//! Words of headers and cells in English, German, French and Spanish, and the spellings of units. Common practice, no
//! source.

/// What a word in a header says about its column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Word {
    Time,
    Year,
    Month,
    Day,
    DayOfYear,
    Hour,
    Minute,
    Second,
    Battery,
    /// The place of the board's temperature.
    Board,
    Temperature,
    Record,
    Sequence,
    Epoch,
    Logger,
    Count,
    Unit,
}

const WORDS: [(Word, &[&str]); 17] = [
    (
        Word::Time,
        &[
            "time",
            "timestamp",
            "datetime",
            "date",
            "clock",
            "unix",
            "utc",
            "zeit",
            "zeitstempel",
            "datum",
            "uhrzeit",
            "datumzeit",
            "messzeit",
            "heure",
            "horodatage",
            "temps",
            "dateheure",
            "hora",
            "fecha",
            "fechahora",
            "instante",
            "serial",
            "when",
            "ts",
        ],
    ),
    (Word::Year, &["year", "yyyy", "jahr", "année", "annee", "an", "año", "ano"]),
    (Word::Month, &["month", "monat", "mois", "mes"]),
    (Word::Day, &["day", "tag", "jour", "día", "dia"]),
    (Word::DayOfYear, &["doy", "yday", "jday", "julian", "dayofyear", "jahrestag", "quantième", "quantieme"]),
    (Word::Hour, &["hour", "hh", "stunde"]),
    (Word::Minute, &["minute", "minuto"]),
    (Word::Second, &["second", "sekunde", "seconde", "segundo"]),
    (
        Word::Battery,
        &[
            "battery",
            "batt",
            "bat",
            "vbat",
            "vbatt",
            "ubat",
            "ubatt",
            "batterie",
            "akku",
            "batteriespannung",
            "pile",
            "accu",
            "batería",
            "bateria",
            "pila",
            "zelle",
            "cell",
        ],
    ),
    (
        Word::Board,
        &[
            "board",
            "internal",
            "housing",
            "platine",
            "gehäuse",
            "gehaeuse",
            "intern",
            "interne",
            "innen",
            "boîtier",
            "boitier",
            "carte",
            "interna",
            "interno",
            "placa",
            "caja",
            "enclosure",
            "case",
            "platinentemperatur",
            "gehäusetemperatur",
            "innentemperatur",
            "boardtemp",
        ],
    ),
    (
        Word::Temperature,
        &["temperature", "temp", "temperatur", "température", "temperatura", "tboard", "tint"],
    ),
    (
        Word::Record,
        &[
            "record",
            "rec",
            "recno",
            "recnum",
            "no",
            "nr",
            "num",
            "number",
            "line",
            "row",
            "index",
            "idx",
            "id",
            "n",
            "count_no",
            "satz",
            "satznr",
            "datensatz",
            "zeile",
            "lfd",
            "lfdnr",
            "nummer",
            "enregistrement",
            "enreg",
            "numéro",
            "numero",
            "ligne",
            "registro",
            "reg",
            "número",
            "línea",
            "linea",
            "fila",
            "rownames",
            "unnamed",
        ],
    ),
    (
        Word::Sequence,
        &["sequence", "seq", "seqno", "sequenz", "sequenznummer", "séquence", "sequentielle", "secuencia"],
    ),
    (Word::Epoch, &["epoch", "epoche", "époque", "epoque", "época", "epoca"]),
    (
        Word::Logger,
        &[
            "logger",
            "station",
            "node",
            "datenlogger",
            "enregistreur",
            "registrador",
            "estación",
            "estacion",
            "adresse",
            "address",
            "dirección",
            "direccion",
            "unit_id",
            "device",
            "gerät",
            "appareil",
            "sensor_id",
        ],
    ),
    (
        Word::Count,
        &[
            "count", "counts", "raw", "digit", "digits", "ticks", "zähler", "rohwert", "brut", "bruto",
            "crudo", "cuentas",
        ],
    ),
    (Word::Unit, &["unit", "units", "einheit", "unité", "unite", "unidad"]),
];

/// The words of a text, in lower case: also those that begin with a capital letter within a name, and those before
/// digits.
fn words(text: &str) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for part in text.split(|c: char| !c.is_alphanumeric()).filter(|part| !part.is_empty()) {
        all.push(part.to_lowercase());
        let (mut word, mut last) = (String::new(), None);
        for c in part.chars() {
            let is_next = last.is_some_and(|last: char| {
                (last.is_lowercase() && c.is_uppercase()) || (last.is_numeric() != c.is_numeric())
            });
            if is_next {
                all.push(std::mem::take(&mut word));
            }
            word.extend(c.to_lowercase());
            last = Some(c);
        }
        all.push(word);
    }
    all
}

/// Whether a text has a word of this meaning.
pub(super) fn has(text: &str, word: Word) -> bool {
    let of = WORDS.iter().find(|(of, _)| *of == word).map_or(&[][..], |(_, words)| words);
    words(text).iter().any(|found| of.contains(&found.as_str()))
}

/// How many words of a text have a known meaning.
pub(super) fn known(text: &str) -> usize {
    words(text).iter().filter(|word| WORDS.iter().any(|(_, of)| of.contains(&word.as_str()))).count()
}

/// A number before a unit, as in `0.001 Hz` or `1/1000 ohm`: by what power of ten it divides. `None`: there is none.
fn thousandths(text: &str) -> Option<(u32, &str)> {
    let (number, unit) = text.split_once([' ', '\u{a0}'])?;
    let digits = match (number.strip_prefix("1/"), number.strip_prefix("0.").or(number.strip_prefix("0,"))) {
        (Some(below), _) => {
            below.strip_prefix('1').filter(|rest| rest.bytes().all(|byte| byte == b'0'))?.len()
        }
        (None, Some(decimals)) => {
            decimals.strip_suffix('1').filter(|rest| rest.bytes().all(|byte| byte == b'0'))?.len() + 1
        }
        (None, None) => return None,
    };
    Some((u32::try_from(digits).ok()?, unit.trim()))
}

/// Whether a text is a hundredth of a degree Celsius.
pub(super) fn is_centi_celsius(text: &str) -> bool {
    thousandths(text).is_some_and(|(digits, unit)| digits == 2 && is_celsius(unit))
}

/// A unit by its name in layouts, from the spellings that files use, also with a number before it.
pub(super) fn measured_unit(text: &str) -> Option<&'static str> {
    let Some((digits, base)) = thousandths(text) else { return plain_unit(text) };
    let (raw, counts) = crate::config::layout::unit(plain_unit(base)?)?;
    let counts: u64 = counts.parse().ok()?;
    let wanted = counts.checked_div(10_u64.checked_pow(digits)?).filter(|wanted| *wanted > 0)?;
    ["Hz", "mHz", "kHz", "ohm", "mohm", "kohm", "V/V", "mV/V", "uV/V", "A", "mA", "uA", "nA", "V", "mV", "uV"]
        .into_iter()
        .find(|name| {
            let of = crate::config::layout::unit(name);
            of.is_some_and(|(of, counts)| of == raw && counts.parse() == Ok(wanted))
        })
}

fn plain_unit(text: &str) -> Option<&'static str> {
    const UNITS: [(&str, &[&str]); 18] = [
        ("Hz", &["Hz", "hz", "HZ", "hertz", "Hertz", "1/s"]),
        ("kHz", &["kHz", "khz", "KHz", "KHZ", "kilohertz"]),
        ("mHz", &["mHz", "millihertz", "milli_hertz"]),
        ("ohm", &["ohm", "Ohm", "OHM", "ohms", "Ohms", "Ω", "Ω", "ohmios", "ohmio"]),
        ("kohm", &["kohm", "kOhm", "kohms", "kOhms", "kΩ", "kΩ", "KOhm", "kiloohm"]),
        ("mohm", &["mohm", "mOhm", "mΩ", "mΩ", "milliohm", "milli_ohm"]),
        ("V/V", &["V/V", "v/v"]),
        ("mV/V", &["mV/V", "mv/v", "mV/v"]),
        ("uV/V", &["uV/V", "µV/V", "μV/V"]),
        ("A", &["A", "Amp", "ampere", "Ampere"]),
        ("mA", &["mA", "ma", "milliampere"]),
        ("uA", &["uA", "µA", "μA"]),
        ("nA", &["nA", "nano_amp"]),
        ("V", &["V", "volt", "Volt", "volts", "Volts", "voltios"]),
        ("mV", &["mV", "mv", "millivolt", "millivolts"]),
        ("uV", &["uV", "µV", "μV"]),
        ("sine", &["sine", "sin", "sinus", "seno", "sin(α)", "sin α", "sin(alpha)"]),
        (
            "pulse",
            &[
                "pulse",
                "pulses",
                "Pulse",
                "Pulses",
                "Impulse",
                "impulse",
                "impulsions",
                "Impulsions",
                "pulsos",
                "Pulsos",
            ],
        ),
    ];
    if let Some((unit, _)) = UNITS.iter().find(|(_, spellings)| spellings.contains(&text)) {
        return Some(unit);
    }
    [
        "count",
        "counts",
        "Counts",
        "digit",
        "digits",
        "Digits",
        "ticks",
        "Zählwerte",
        "cuentas",
        "nano_ratio",
        "nano_sine",
    ]
    .contains(&text)
    .then_some("count")
}

/// Whether a text is the unit of degrees Celsius.
pub(super) fn is_celsius(text: &str) -> bool {
    ["°C", "degC", "C", "deg C", "Grad C", "ºC", "℃", "celsius", "Celsius", "deg_C", "°c", "degc"]
        .contains(&text)
}

/// Whether a text is a unit of an engineering value, or describes how a column is written.
pub(super) fn is_other_unit(text: &str) -> bool {
    const OTHERS: [&str; 34] = [
        "°F", "degF", "kPa", "Pa", "MPa", "bar", "mbar", "hPa", "psi", "m", "mm", "cm", "mH2O", "mWS", "%",
        "kN", "N", "deg", "°", "mm/m", "µm/m", "ms", "s", "-", "--", "UTC", "GMT", "RN", "TS", "h", "min",
        "local", "d", "mdeg",
    ];
    let lower = text.to_ascii_lowercase();
    is_celsius(text)
        || OTHERS.contains(&text)
        || ["yy", "jj", "aa", "hh:mm", "mm:ss", "h:m"].iter().any(|part| lower.contains(part))
}

/// Whether a text in place of a value says that there is none.
pub(super) fn is_missing(text: &str) -> bool {
    let lower = text.to_lowercase();
    const TEXTS: [&str; 34] = [
        "nan",
        "na",
        "n/a",
        "#n/a",
        "#nv",
        "#value!",
        "#div/0!",
        "#ref!",
        "#num!",
        "#wert!",
        "null",
        "none",
        "nil",
        "missing",
        "miss",
        "nodata",
        "no data",
        "void",
        "invalid",
        "inv",
        "fehlt",
        "k.a.",
        "kein wert",
        "keine daten",
        "manquant",
        "absent",
        "nd",
        "n.d.",
        "n/d",
        "s/d",
        "sin dato",
        "falta",
        "bad",
        "(null)",
    ];
    TEXTS.contains(&lower.as_str()) || text.chars().all(|c| !c.is_alphanumeric())
}

/// The fault code that a text names (wire-format.md, section 8).
pub(super) fn fault(text: &str) -> Option<i32> {
    const FAULTS: [(&str, i32); 21] = [
        ("open", 1),
        ("offen", 1),
        ("ouvert", 1),
        ("abierto", 1),
        ("short", 2),
        ("kurzschl", 2),
        ("court", 2),
        ("cortocircuito", 2),
        ("no signal", 3),
        ("kein signal", 3),
        ("pas de signal", 3),
        ("sin señal", 3),
        ("range", 4),
        ("over", 4),
        ("bereich", 4),
        ("unstable", 5),
        ("instab", 5),
        ("low supply", 6),
        ("converter", 7),
        ("not connected", 8),
        ("nicht angeschlossen", 8),
    ];
    let lower = text.to_lowercase();
    FAULTS.iter().find(|(word, _)| lower.contains(word)).map(|&(_, code)| code)
}
