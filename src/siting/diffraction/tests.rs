//! Diffraction against the published validation examples, and what must hold for any terrain.

use super::*;
use crate::siting::section::Point;
use proptest::prelude::*;

fn data(name: &str) -> String {
    let path =
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/delta_bullington").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// As the validation examples take it.
fn published(section: &Section, frequency_mhz: f64, antennas_m: (f64, f64)) -> Path<'_> {
    let polarisation = Polarisation::Horizontal;
    Path {
        section,
        frequency_mhz,
        antennas_m,
        radius_m: 8_500_000.0,
        polarisation,
        ground: Ground::default(),
    }
}

/// ITU-R Study Group 3: see tests/data/delta_bullington/README.md.
#[test]
fn delta_bullington_meets_the_published_validation_examples() {
    let (mut whole, mut parts) = (0, 0);
    for row in data("expected.csv").lines().skip(1) {
        let cells: Vec<f64> = row.split(',').map(|cell| cell.parse().unwrap()).collect();
        let &[path, length, frequency, tx, rx, smooth_tx, smooth_rx, terrain, smooth, sphere, loss] =
            cells.as_slice()
        else {
            panic!("{row}")
        };
        let near = |what: &str, found: f64, wanted: f64, within: f64| {
            assert!((found - wanted).abs() <= within, "{row}: {what}: {found}, published {wanted}");
        };
        if path < 3.0 {
            // Without the terrain: what follows from the heights above the smooth earth.
            let parts_50_m = (length / 50.0) as usize;
            let steps = (0..=parts_50_m).map(|at| Point { at_m: 50.0 * at as f64, ground_m: 0.0 });
            let section =
                Section::new(steps.chain([Point { at_m: length, ground_m: 0.0 }]).collect()).unwrap();
            let of = published(&section, frequency, (smooth_tx, smooth_rx));
            let found = of.delta_bullington();
            near("sphere", found.sphere_db, sphere, 0.1);
            near("smooth", found.smooth_db, smooth, 0.1);
            parts += 1;
            continue;
        }
        let section = Section::of_csv(&data(&format!("path{path}.csv"))).unwrap();
        assert!((section.length_m() - length).abs() < 1e-6);
        let (first, last) = section.ends_m();
        let found = published(&section, frequency, (first + tx, last + rx)).delta_bullington();
        near("height", found.smooth_heights_m.0, smooth_tx, 1e-6);
        near("height", found.smooth_heights_m.1, smooth_rx, 1e-6);
        near("terrain", found.terrain_db, terrain, 0.1);
        near("smooth", found.smooth_db, smooth, 0.1);
        near("sphere", found.sphere_db, sphere, 0.1);
        near("whole", found.loss_db, loss, 0.1);
        whole += 1;
    }
    assert_eq!((whole, parts), (10, 10));
}

fn hill(height_m: f64) -> Section {
    let points = [(0.0, 0.0), (4_000.0, height_m), (14_000.0, 0.0)];
    Section::new(points.map(|(at_m, ground_m)| Point { at_m, ground_m }).to_vec()).unwrap()
}

fn over(section: &Section, antennas_m: (f64, f64), k: f64) -> Path<'_> {
    let polarisation = Polarisation::Vertical;
    let radius_m = k * 6_371_000.0;
    Path { section, frequency_mhz: 915.0, antennas_m, radius_m, polarisation, ground: Ground::default() }
}

#[test]
fn the_worst_edge_is_the_one_that_takes_most_of_the_zone_not_the_highest() {
    let points = [(0.0, 0.0), (200.0, 6.0), (7_000.0, 20.0), (14_000.0, 0.0)];
    let section = Section::new(points.map(|(at_m, ground_m)| Point { at_m, ground_m }).to_vec()).unwrap();
    let edge = over(&section, (5.0, 60.0), 4.0 / 3.0).worst_edge().unwrap();
    assert_eq!(edge.at_m, 200.0);
    assert!(edge.clearance_m < 0.0 && edge.v > 0.0 && edge.loss_db > 6.0, "{edge:?}");
}

#[test]
fn a_section_of_two_points_has_no_edge_and_no_bullington_loss() {
    let section =
        Section::new(vec![Point { at_m: 0.0, ground_m: 0.0 }, Point { at_m: 500.0, ground_m: 0.0 }]).unwrap();
    let path = over(&section, (5.0, 6.0), 4.0 / 3.0);
    assert_eq!(path.worst_edge(), None);
    let found = path.delta_bullington();
    assert_eq!((found.terrain_db, found.smooth_db), (0.0, 0.0));
    assert!(found.loss_db.is_finite() && found.loss_db >= 0.0);
}

/// An antenna below the ground, for example under the highest water, has the loss of one at the ground.
#[test]
fn an_antenna_below_the_ground_has_a_finite_loss() {
    let points = [(0.0, 634.0), (900.0, 631.5), (2_000.0, 640.0), (2_600.0, 631.5)];
    let section = Section::new(points.map(|(at_m, ground_m)| Point { at_m, ground_m }).to_vec()).unwrap();
    for mast_m in [628.0, 631.5, 631.6] {
        let found = over(&section, (636.0, mast_m), 2.0 / 3.0).delta_bullington();
        assert!(found.loss_db.is_finite() && found.loss_db < 100.0, "{mast_m}: {found:?}");
    }
}

proptest! {
    #[test]
    fn more_height_never_loses_on_a_single_edge(
        edge in 0.0f64..80.0, a in 1.0f64..60.0, b in 1.0f64..60.0, more in 0.01f64..20.0, k in 0.4f64..3.0,
    ) {
        let section = hill(edge);
        let loss = |a, b| over(&section, (a, b), k).worst_edge().unwrap().loss_db;
        prop_assert!(loss(a + more, b) <= loss(a, b));
        prop_assert!(loss(a, b + more) <= loss(a, b));
        let lower = hill(edge - more);
        prop_assert!(over(&lower, (a, b), k).worst_edge().unwrap().loss_db <= loss(a, b));
    }

    #[test]
    fn losses_are_finite_for_any_terrain(
        grounds in prop::collection::vec(-200.0f64..3_000.0, 2..40), step in 0.5f64..5_000.0,
        a in -50.0f64..200.0, b in -50.0f64..200.0, frequency in 20.0f64..6_000.0, k in 0.3f64..5.0,
    ) {
        let points = grounds.iter().enumerate().map(|(at, &ground_m)| Point { at_m: at as f64 * step, ground_m });
        let section = Section::new(points.collect()).unwrap();
        let (first, last) = section.ends_m();
        let path = Path { frequency_mhz: frequency, ..over(&section, (first + a, last + b), k) };
        let found = path.delta_bullington();
        prop_assert!(found.loss_db.is_finite() && found.loss_db >= found.terrain_db && found.terrain_db >= 0.0, "{found:?}");
    }

    /// Both ends may be swapped.
    #[test]
    fn the_way_back_loses_the_same(
        grounds in prop::collection::vec(0.0f64..300.0, 3..30), a in 1.0f64..50.0, b in 1.0f64..50.0,
    ) {
        let of = |grounds: &[f64], (a, b): (f64, f64)| {
            let points = grounds.iter().enumerate().map(|(at, &ground_m)| Point { at_m: at as f64 * 300.0, ground_m });
            let section = Section::new(points.collect()).unwrap();
            let (first, last) = section.ends_m();
            over(&section, (first + a, last + b), 4.0 / 3.0).delta_bullington().loss_db
        };
        let back: Vec<f64> = grounds.iter().rev().copied().collect();
        let (there, back) = (of(&grounds, (a, b)), of(&back, (b, a)));
        prop_assert!((there - back).abs() < 1e-6, "{there} {back}");
    }
}
