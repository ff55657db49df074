//! `[radio]`, `[mast]`, `[path]`, `[woodland]` and `[water]` of the plan.

use crate::config::loggers::{ANTENNA, PLACE_FIELDS, standing};
use crate::config::read::{Field, NAME_LEN_MAX_CHARS, Table};
use crate::record::roster::Standing;
use crate::siting::diffraction::{Ground, Polarisation};
use crate::siting::link::{End, Radio, Water};
use crate::siting::radio::{NOISE_TEMPERATURE_K, Receiver};
use crate::siting::woodland::Woodland;

const FREQUENCY: Field = Field::required("frequency_mhz", "the frequency in MHz");
const TRANSMIT: Field = Field::required("transmit_dbm", "the power into the cable in dBm");
const GAIN: Field = Field::optional("antenna_gain_dbi", "the gain of the antenna in dBi");
const CABLE: Field = Field::optional("cable_loss_db", "the loss of the cable in dB");
const SENSITIVITY: Field = Field::optional("sensitivity_dbm", "the weakest level that it receives in dBm");
const BANDWIDTH: Field = Field::optional("bandwidth_hz", "the bandwidth of the receiver in Hz");
const FIGURE: Field = Field::optional("noise_figure_db", "the noise figure of the receiver in dB");
const SNR: Field = Field::optional("required_snr_db", "the signal-to-noise ratio in dB that it needs");
const BITS: Field = Field::optional("bits_per_s", "the bits a second");
const EBN0: Field =
    Field::optional("required_ebn0_db", "the energy of a bit over the noise density in dB that it needs");
const TEMPERATURE: Field = Field::optional("noise_temperature_k", "the temperature of the noise in kelvin");
const POLARISATION: Field = Field::optional("polarisation", "\"vertical\" or \"horizontal\"");
const LIMIT_EIRP: Field = Field::optional("limit_eirp_dbm", "your limit of the EIRP in dBm");
const LIMIT_ERP: Field = Field::optional("limit_erp_dbm", "your limit of the ERP in dBm");
const K: Field = Field::optional("k", "the effective radius of the earth over its own, as in 1.333");
const LOW_K: Field = Field::optional("low_k", "the same in poor air, as in 0.667");
const CLUTTER: Field = Field::optional("clutter_db", "the loss by buildings and the like in dB");
const LOGGER_ANTENNA: Field =
    Field::optional("logger_antenna_m", "the height of a logger's antenna above the ground in metres");
const PERMITTIVITY: Field = Field::optional("relative_permittivity", "that of the ground");
const CONDUCTIVITY: Field = Field::optional("conductivity_s_per_m", "that of the ground in S/m");
const DEPTH: Field = Field::required("depth_m", "the length of the path through the wood in metres");
const PER_METRE: Field = Field::required("db_per_m", "the loss of its first metres in dB a metre");
const MOST: Field = Field::required("most_db", "the most that the wood takes in dB");
const LOWEST: Field = Field::required("lowest_m", "the elevation of the lowest level in metres");
const HIGHEST: Field = Field::required("highest_m", "the elevation of the highest level in metres");

/// What lies on all paths.
pub(super) struct Around {
    k: f64,
    low_k: f64,
    clutter_db: f64,
    ground: Ground,
    woodland: Option<Woodland>,
    water: Option<Water>,
}

/// What lies on the paths, and the usual height of a logger's antenna.
pub(super) fn around(
    path: Option<&Table<'_, '_>>,
    woodland: Option<Table<'_, '_>>,
    water: Option<Table<'_, '_>>,
) -> (Around, Option<f64>) {
    let number = |field: &Field, range| path.and_then(|table| table.number(field, range));
    if let Some(table) = path {
        table.refuse_unknown(&[&LOGGER_ANTENNA, &K, &LOW_K, &CLUTTER, &PERMITTIVITY, &CONDUCTIVITY]);
    }
    let usual = Ground::default();
    let around = Around {
        k: number(&K, 0.2..=100.0).unwrap_or(4.0 / 3.0),
        low_k: number(&LOW_K, 0.2..=100.0).unwrap_or(2.0 / 3.0),
        clutter_db: number(&CLUTTER, 0.0..=100.0).unwrap_or(0.0),
        ground: Ground {
            relative_permittivity: number(&PERMITTIVITY, 1.0..=100.0).unwrap_or(usual.relative_permittivity),
            conductivity_s_per_m: number(&CONDUCTIVITY, 0.0..=100.0).unwrap_or(usual.conductivity_s_per_m),
        },
        woodland: woodland.and_then(|table| wood(&table)),
        water: water.and_then(|table| levels(&table)),
    };
    if let Some(table) = path.filter(|_| around.low_k > around.k) {
        table.note(&LOW_K, &format!("{} is above `k`; write the smaller of both here", around.low_k));
    }
    (around, number(&LOGGER_ANTENNA, 0.0..=300.0))
}

fn wood(table: &Table<'_, '_>) -> Option<Woodland> {
    table.refuse_unknown(&[&DEPTH, &PER_METRE, &MOST]);
    let depth_m = table.number(&DEPTH, 0.0..=100_000.0);
    let (db_per_m, most_db) = (table.number(&PER_METRE, 0.0..=10.0), table.number(&MOST, 0.0..=200.0));
    Some(Woodland { depth_m: depth_m?, db_per_m: db_per_m?, most_db: most_db? })
}

fn levels(table: &Table<'_, '_>) -> Option<Water> {
    table.refuse_unknown(&[&LOWEST, &HIGHEST]);
    let (lowest_m, highest_m) =
        (table.number(&LOWEST, -500.0..=9000.0), table.number(&HIGHEST, -500.0..=9000.0));
    let water = Water { lowest_m: lowest_m?, highest_m: highest_m? };
    if water.lowest_m > water.highest_m {
        table.note(&LOWEST, &format!("{} is above `highest_m`; swap them", water.lowest_m));
    }
    Some(water)
}

fn end(table: &Table<'_, '_>) -> End {
    End {
        gain_dbi: table.number(&GAIN, -40.0..=60.0).unwrap_or(0.0),
        cable_loss_db: table.number(&CABLE, 0.0..=100.0).unwrap_or(0.0),
    }
}

/// The mast's antenna, and where it stands.
pub(super) fn mast(table: Option<Table<'_, '_>>) -> (End, Standing) {
    let Some(table) = table else { return (End { gain_dbi: 0.0, cable_loss_db: 0.0 }, Standing::default()) };
    let [latitude, longitude, ground] = PLACE_FIELDS;
    table.refuse_unknown(&[&GAIN, &CABLE, latitude, longitude, ground, &ANTENNA]);
    (end(&table), standing(&table))
}

/// The radio with the mast's antenna and what lies on the paths.
pub(super) fn radio(table: &Table<'_, '_>, mast: End, around: Around) -> Option<Radio> {
    table.refuse_unknown(&[
        &FREQUENCY,
        &TRANSMIT,
        &GAIN,
        &CABLE,
        &SENSITIVITY,
        &BANDWIDTH,
        &FIGURE,
        &SNR,
        &BITS,
        &EBN0,
        &TEMPERATURE,
        &POLARISATION,
        &LIMIT_EIRP,
        &LIMIT_ERP,
    ]);
    let (frequency_mhz, transmit_dbm) =
        (table.number(&FREQUENCY, 1.0..=300_000.0), table.number(&TRANSMIT, -60.0..=90.0));
    let receiver = receiver(table);
    let polarisation = match table.text(&POLARISATION, NAME_LEN_MAX_CHARS).map(|text| text.value) {
        None | Some("vertical") => Polarisation::Vertical,
        Some("horizontal") => Polarisation::Horizontal,
        Some(other) => {
            table.note_value(&POLARISATION, other, "is not known");
            Polarisation::Vertical
        }
    };
    let limit = |field: &Field| table.number(field, -60.0..=100.0);
    let (limit_eirp_dbm, limit_erp_dbm) = (limit(&LIMIT_EIRP), limit(&LIMIT_ERP));
    Some(Radio {
        frequency_mhz: frequency_mhz?,
        transmit_dbm: transmit_dbm?,
        logger: end(table),
        mast,
        receiver: receiver?,
        polarisation,
        ground: around.ground,
        k: around.k,
        low_k: around.low_k,
        woodland: around.woodland,
        clutter_db: around.clutter_db,
        water: around.water,
        limit_eirp_dbm,
        limit_erp_dbm,
    })
}

/// What the receiver needs: by its data sheet, by its bandwidth, or by its bit rate; one of these only.
fn receiver(table: &Table<'_, '_>) -> Option<Receiver> {
    let temperature_k = table.number(&TEMPERATURE, 50.0..=1000.0).unwrap_or(NOISE_TEMPERATURE_K);
    let sensitivity = table.number(&SENSITIVITY, -180.0..=30.0);
    let noise_figure_db = table.number(&FIGURE, 0.0..=60.0);
    let bandwidth = table.number(&BANDWIDTH, 1.0..=1e9);
    let (snr, ebn0) = (table.number(&SNR, -60.0..=60.0), table.number(&EBN0, -10.0..=60.0));
    let bits = table.number(&BITS, 1.0..=1e9);
    let ways = [(&SENSITIVITY, &[][..]), (&BANDWIDTH, &[&FIGURE, &SNR][..]), (&BITS, &[&FIGURE, &EBN0][..])];
    let named: Vec<&(&Field, &[&Field])> = ways.iter().filter(|(field, _)| table.has(field)).collect();
    match named.as_slice() {
        [] => {
            let text = "missing, and so are `bandwidth_hz` and `bits_per_s`; write one of them";
            table.note(&SENSITIVITY, text);
            return None;
        }
        [(_, needed)] => {
            for field in needed.iter().filter(|field| !table.has(field)) {
                table.note(field, &format!("missing; write {}", field.what()));
            }
        }
        [(first, _), (second, _), ..] => {
            table.note(
                second,
                &format!("cannot be used together with `{}`; keep one of the two", first.key()),
            );
            return None;
        }
    }
    if let Some(dbm) = sensitivity {
        return Some(Receiver::Sensitivity { dbm });
    }
    if let (Some(bandwidth_hz), Some(noise_figure_db), Some(required_snr_db)) =
        (bandwidth, noise_figure_db, snr)
    {
        return Some(Receiver::Noise { bandwidth_hz, noise_figure_db, required_snr_db, temperature_k });
    }
    let (bits_per_s, noise_figure_db, required_ebn0_db) = (bits?, noise_figure_db?, ebn0?);
    Some(Receiver::BitRate { bits_per_s, noise_figure_db, required_ebn0_db, temperature_k })
}
