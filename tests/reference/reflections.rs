//! E: reflections and return loss.

use strandline::detect::{self, Cords};
use strandline::simulate::{Scenario, render};
use strandline::units::{power, reflectance_db};

use super::near;

#[test]
fn reflectance_follows_from_the_height_of_a_peak() {
    // E3, E4: TIA FOTP-8 / IEC 61746 relation (from memory); backscatter -82 dB, 100 ns. Height over
    // backscatter in power is 10^(H/5) - 1: without the -1 a peak of 1 dB would be 4.33 dB off
    let cases = [
        (0.1, -75.267),
        (0.5, -67.868),
        (1.0, -64.329),
        (3.0, -57.256),
        (5.0, -52.458),
        (10.0, -42.044),
        (15.0, -32.004),
        (20.0, -22.000),
        (8.543, -45.0),
        (3.895, -55.0),
        (23.781, -14.439),
    ];
    for (height_db, reflectance) in cases {
        near(reflectance_db(power(height_db) - 1.0, -82.0, 100.0), reflectance, 1e-3, "E4");
        let longer = reflectance_db(power(height_db) - 1.0, -82.0, 1000.0);
        near(longer, reflectance + 10.0, 1e-3, "E4: 1000 ns, 10 dB up");
    }
}

#[test]
fn return_losses_add_in_power() {
    // A fibre that hardly scatters, so that reflections are all there is.
    let orl = |connectors: &[(f64, f64)], attenuation: f64| {
        let mut sections = String::new();
        let mut from_m = 0.0;
        for (at_m, reflectance) in connectors {
            sections += &format!(
                "[[section]]\nlength_m = {}\nattenuation_db_per_km = {attenuation}\n\
                 then = {{ kind = \"connector\", loss_db = 0.0, reflectance_db = {reflectance} }}\n",
                at_m - from_m
            );
            from_m = *at_m;
        }
        let text = format!(
            "schema = \"strandline.scenario/1\"\nname = \"reflections\"\nindex = 1.4682\n\
             end_b = \"crushed\"\n[[wavelength]]\nnm = 1550\npulse_ns = 100\nspacing_m = 1.0\n\
             samples = 16000\nbackscatter_db = -160.0\n{sections}\
             [[section]]\nlength_m = 1000.0\nattenuation_db_per_km = {attenuation}\n"
        );
        let scenario = Scenario::from_toml(&text).unwrap_or_else(|e| panic!("{e}\n{text}"));
        render(&scenario)[0].truth.spans[0].orl_db
    };
    // E5: powers add: 40 and 50 dB make 39.586 dB
    near(orl(&[(1000.0, -40.0), (2000.0, -50.0)], 1e-6), 39.586, 1e-3, "E5");
    // E7: -50 dB behind 5 km of 0.2 dB/km adds as 52.0 dB: two-way loss counts
    near(orl(&[(5000.0, -50.0)], 0.2), 52.0, 1e-3, "E7");
}

#[test]
fn the_engine_measures_the_return_loss_that_the_integral_gives() {
    // E6: integral of the backscatter, -82 dB, 0.2 dB/km: 10 and 20 km of fibre alone; 10 km with an open end, -14.439
    // dB less 4 dB
    for (end, length_m, orl_db) in
        [("crushed", 10_000.0, 33.938), ("crushed", 20_000.0, 32.482), ("open", 10_000.0, 18.318)]
    {
        let text = format!(
            "schema = \"strandline.scenario/1\"\nname = \"return\"\nindex = 1.4682\nend_b = \"{end}\"\n\
             [[wavelength]]\nnm = 1550\npulse_ns = 100\nspacing_m = 1.0\nsamples = 26000\n\
             backscatter_db = -82.0\nrange_db = 20.0\n\
             [[section]]\nlength_m = {length_m:?}\nattenuation_db_per_km = 0.2\n"
        );
        let scenario = Scenario::from_toml(&text).unwrap_or_else(|e| panic!("{e}\n{text}"));
        let trace = render(&scenario).remove(0).trace;
        let span = detect::events(&trace, &Cords::default()).span.expect("a span");
        let found = span.orl_db.expect("a return loss");
        near(found.value, orl_db, 3.0 * found.sigma, "E6");
        assert!(found.sigma < 0.25, "E6: {found}");
    }
}
