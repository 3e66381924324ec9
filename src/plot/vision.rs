//! Whether colours that mean different things stay apart for colour-blind eyes, and whether words and
//! lines stand out against what they lie on.
//!
//! Colour vision: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, "A physiologically-based model
//! for simulation of color vision deficiency", IEEE TVCG 15(6), 2009, severity 1.0 (matrices from
//! memory). Difference: CIEDE2000, G. Sharma, W. Wu, E. N. Dalal, Color Res. Appl. 30(1), 2005.
//! Contrast: W3C WCAG 2.1, 1.4.3 and 1.4.11.

use super::marks::BEADS;
use super::palette::{self, Color, Palette};
use super::{Theme, cable, trace};

/// Two colours that have no form to tell them apart differ by at least this much in CIEDE2000, where
/// about 2 is just seen side by side (common practice, no source).
const LEAST_DIFFERENCE: f64 = 10.0;
/// Neighbouring steps of a ramp: each cell carries its figure, so that the step only guides the eye.
const LEAST_STEP: f64 = 3.0;
/// WCAG 2.1, 1.4.3: words against what they stand on.
const WORDS: f64 = 4.5;
/// WCAG 2.1, 1.4.11: lines and marks against the ground.
const LINES: f64 = 3.0;

const THEMES: [Theme; 3] = [Theme::Light, Theme::Dark, Theme::Print];

/// A way of seeing: linear red, green, blue in and out.
type Eyes = (&'static str, [[f64; 3]; 3]);

const EYES: [Eyes; 4] = [
    ("three kinds of cones", [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]),
    (
        "protanopia",
        [
            [0.152_286, 1.052_583, -0.204_868],
            [0.114_503, 0.786_281, 0.099_216],
            [-0.003_882, -0.048_116, 1.051_998],
        ],
    ),
    (
        "deuteranopia",
        [
            [0.367_322, 0.860_646, -0.227_968],
            [0.280_085, 0.672_501, 0.047_413],
            [-0.011_820, 0.042_940, 0.968_881],
        ],
    ),
    (
        "tritanopia",
        [
            [1.255_528, -0.076_749, -0.178_779],
            [-0.078_411, 0.930_809, 0.147_602],
            [0.004_733, 0.691_367, 0.303_900],
        ],
    ),
];

fn times(matrix: &[[f64; 3]; 3], v: [f64; 3]) -> [f64; 3] {
    [0, 1, 2].map(|row| (0..3).map(|i| matrix[row][i] * v[i]).sum())
}

/// Linear red, green, blue as such eyes see it.
fn seen(color: Color, eyes: &Eyes) -> [f64; 3] {
    times(&eyes.1, color.rgb.map(palette::linear)).map(|v| v.clamp(0.0, 1.0))
}

/// Linear sRGB to XYZ for a white of D65. Source: IEC 61966-2-1.
const XYZ: [[f64; 3]; 3] = [
    [0.412_456_4, 0.357_576_1, 0.180_437_5],
    [0.212_672_9, 0.715_152_2, 0.072_175_0],
    [0.019_333_9, 0.119_192_0, 0.950_304_1],
];

/// CIE L*a*b*. Source: CIE 15:2004, 8.2.1.
fn lab(linear: [f64; 3]) -> [f64; 3] {
    let white = times(&XYZ, [1.0; 3]);
    let xyz = times(&XYZ, linear);
    let [x, y, z] = [0, 1, 2].map(|i| {
        let t = xyz[i] / white[i];
        if t > 216.0 / 24389.0 { t.cbrt() } else { (24389.0 / 27.0 * t + 16.0) / 116.0 }
    });
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

/// CIEDE2000 difference of two colours in L*a*b*, with all weights 1.
fn difference([l1, a1, b1]: [f64; 3], [l2, a2, b2]: [f64; 3]) -> f64 {
    let mean_chroma = (a1.hypot(b1) + a2.hypot(b2)) / 2.0;
    let seventh = |c: f64| (c.powi(7) / (c.powi(7) + 25.0_f64.powi(7))).sqrt();
    let stretch = 1.0 + 0.5 * (1.0 - seventh(mean_chroma));
    let (a1, a2) = (a1 * stretch, a2 * stretch);
    let (c1, c2) = (a1.hypot(b1), a2.hypot(b2));
    let hue = |a: f64, b: f64| b.atan2(a).to_degrees().rem_euclid(360.0);
    let (h1, h2) = (hue(a1, b1), hue(a2, b2));
    let gray = c1 * c2 == 0.0;
    let turn = if gray { 0.0 } else { (h2 - h1 + 180.0).rem_euclid(360.0) - 180.0 };
    let hue_step = 2.0 * (c1 * c2).sqrt() * (turn / 2.0).to_radians().sin();
    let (l, c) = ((l1 + l2) / 2.0, (c1 + c2) / 2.0);
    let h = match (h1 + h2, (h1 - h2).abs()) {
        (sum, _) if gray => sum,
        (sum, apart) if apart <= 180.0 => sum / 2.0,
        (sum, _) if sum < 360.0 => sum / 2.0 + 180.0,
        (sum, _) => sum / 2.0 - 180.0,
    };
    let cos = |degrees: f64| degrees.to_radians().cos();
    let t = 1.0 - 0.17 * cos(h - 30.0) + 0.24 * cos(2.0 * h) + 0.32 * cos(3.0 * h + 6.0)
        - 0.20 * cos(4.0 * h - 63.0);
    let light = 1.0 + 0.015 * (l - 50.0).powi(2) / (20.0 + (l - 50.0).powi(2)).sqrt();
    let (chroma, round) = (1.0 + 0.045 * c, 1.0 + 0.015 * c * t);
    let turned = 60.0 * (-((h - 275.0) / 25.0).powi(2)).exp();
    let mixed = -2.0 * seventh(c) * turned.to_radians().sin();
    let (dl, dc, dh) = ((l2 - l1) / light, (c2 - c1) / chroma, hue_step / round);
    (dl * dl + dc * dc + dh * dh + mixed * dc * dh).sqrt()
}

/// The least difference between two colours over all kinds of eyes, and whose it is.
fn least(a: Color, b: Color) -> (f64, &'static str) {
    let of = |eyes: &Eyes| (difference(lab(seen(a, eyes)), lab(seen(b, eyes))), eyes.0);
    EYES.iter()
        .map(of)
        .fold((f64::INFINITY, ""), |worst, own| if own.0 < worst.0 { own } else { worst })
}

/// The least contrast of two colours over all kinds of eyes. Luminance is that of linear light.
fn least_contrast(a: Color, b: Color) -> f64 {
    let of = |eyes: &Eyes| {
        let [a, b] = [a, b].map(|color| times(&XYZ, seen(color, eyes))[1] + 0.05);
        a.max(b) / a.min(b)
    };
    EYES.iter().map(of).fold(f64::INFINITY, f64::min)
}

/// What can tell two things apart besides their colour.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Form {
    Line { dash: Option<(f64, f64)>, width: f64 },
    Beads(super::marks::Bead),
    Sign,
    Area,
}

/// Things with a meaning that stand in one picture: name, colour, form.
type Thing = (&'static str, Color, Form);

/// A trace, the lines fitted to it, and marks: as `trace` draws them.
fn things(palette: &Palette) -> Vec<Thing> {
    let fit = trace::fit_stroke(palette);
    let curve = trace::curve_stroke(palette);
    let line = |stroke: super::sheet::Stroke| Form::Line { dash: stroke.dash, width: stroke.width };
    vec![
        ("trace", curve.color, line(curve)),
        ("fitted line", fit.color, line(fit)),
        ("mark", palette.mark, Form::Sign),
    ]
}

/// Several traces in one picture.
fn curves(palette: &Palette) -> Vec<Thing> {
    let own = |(color, bead): (&Color, &super::marks::Bead)| ("curve", *color, Form::Beads(*bead));
    palette.curves.iter().zip(&BEADS).map(own).collect()
}

/// Pairs that neither colour nor form tells apart.
fn confused(things: &[Thing]) -> Vec<String> {
    let mut wrongs = Vec::new();
    for (i, a) in things.iter().enumerate() {
        for b in &things[..i] {
            let (difference, eyes) = least(a.1, b.1);
            if a.2 == b.2 && difference < LEAST_DIFFERENCE {
                wrongs.push(format!("{} and {}: {difference:.1} with {eyes}", b.0, a.0));
            }
        }
    }
    wrongs
}

#[test]
fn the_difference_is_that_of_its_authors_examples() {
    // Sharma, Wu, Dalal 2005, table 1, pairs 1, 17 to 20 (from memory)
    let cases = [
        ([50.0, 2.6772, -79.7751], [50.0, 0.0, -82.7485], 2.0425),
        ([50.0, 2.5, 0.0], [73.0, 25.0, -18.0], 27.1492),
        ([50.0, 2.5, 0.0], [61.0, -5.0, 29.0], 22.8977),
        ([50.0, 2.5, 0.0], [56.0, -27.0, -3.0], 31.9030),
        ([50.0, 2.5, 0.0], [58.0, 24.0, 15.0], 19.4535),
    ];
    for (a, b, expected) in cases {
        assert!((difference(a, b) - expected).abs() < 1e-4, "{a:?} {b:?}: {}", difference(a, b));
        assert!((difference(b, a) - expected).abs() < 1e-4);
    }
}

#[test]
fn white_stays_white_to_all_eyes() {
    // each row of a matrix adds up to 1: Machado, Oliveira & Fernandes 2009
    for (name, matrix) in EYES {
        for row in matrix {
            assert!((row.iter().sum::<f64>() - 1.0).abs() < 2e-6, "{name}: {row:?}");
        }
    }
}

#[test]
fn a_red_and_a_green_of_one_lightness_would_be_found_out() {
    // far apart to most eyes, and the classical confusion of deuteranopia
    let pair = [Color::new(0x00C0_4040), Color::new(0x0070_7A20)];
    let [a, b] = pair.map(|color| lab(seen(color, &EYES[0])));
    assert!(difference(a, b) > 40.0);
    let wrongs = confused(&[("red", pair[0], Form::Area), ("green", pair[1], Form::Area)]);
    assert!(wrongs.len() == 1 && wrongs[0].contains("deuteranopia"), "{wrongs:?}");
    // a form of its own would save it
    assert!(confused(&[("red", pair[0], Form::Area), ("green", pair[1], Form::Sign)]).is_empty());
}

#[test]
fn what_means_different_things_differs_in_colour_or_in_form() {
    for theme in THEMES {
        let palette = theme.palette();
        for things in [things(&palette), curves(&palette)] {
            assert_eq!(confused(&things), Vec::<String>::new(), "{theme:?}");
        }
    }
}

#[test]
fn words_and_lines_stand_out_against_what_they_lie_on() {
    for theme in THEMES {
        let palette = theme.palette();
        let mut on_ground = vec![("words", palette.ink, WORDS), ("fitted", palette.fit, WORDS)];
        on_ground.extend([("trace", palette.line, LINES), ("mark", palette.mark, LINES)]);
        on_ground.extend(palette.curves.iter().map(|color| ("curve", *color, LINES)));
        for (name, color, least) in on_ground {
            for ground in [palette.ground, palette.shade.over(palette.ground)] {
                let contrast = least_contrast(color, ground);
                assert!(contrast >= least, "{theme:?}, {name}: {contrast:.2}");
            }
        }
        for ground in palette.ramp {
            let contrast = least_contrast(palette.legible_on(ground), ground);
            assert!(contrast >= WORDS, "{theme:?}, a figure in a cell {ground:?}: {contrast:.2}");
        }
    }
}

#[test]
fn a_ramp_grows_in_one_direction_for_all_eyes() {
    assert_eq!(cable::SHARES.len() + 1, Theme::Light.palette().ramp.len());
    for theme in THEMES {
        let ramp = theme.palette().ramp;
        for eyes in &EYES {
            let light = ramp.map(|color| lab(seen(color, eyes))[0]);
            let down = light.windows(2).all(|pair| pair[1] < pair[0]);
            let up = light.windows(2).all(|pair| pair[1] > pair[0]);
            assert!(down || up, "{theme:?}, {}: {light:?}", eyes.0);
        }
        for pair in ramp.windows(2) {
            let (difference, eyes) = least(pair[0], pair[1]);
            assert!(difference >= LEAST_STEP, "{theme:?}, {pair:?}: {difference:.1} with {eyes}");
        }
    }
}
