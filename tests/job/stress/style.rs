//! What a drawn cable is like as a whole: its size, its glass, its instruments, its plan.

use strandline::simulate::{Random, Receiver, Slow};

/// A closure of the plan.
#[derive(Clone, Copy)]
pub struct Closure {
    /// Fibre metres from end a, as planned.
    pub at_m: f64,
    /// Whether plugs meet there instead of a splice.
    pub plugged: bool,
}

/// One cable and the instruments at its ends.
pub struct Style {
    pub fibers: usize,
    pub nm: Vec<u32>,
    pub length_m: f64,
    pub closures: Vec<Closure>,
    pub pulse_ns: u16,
    pub samples: usize,
    pub launch_m: f64,
    pub tail_m: f64,
    pub index: f64,
    pub speckle: f64,
    pub receiver: Receiver,
    /// How far the noise lies below the fibre's far end, in dB.
    pub margin_db: f64,
    /// One sigma of the backscatter of a drum, in dB.
    pub step_db: f64,
    /// How much longer the second instrument's clock makes everything.
    pub clock: f64,
    /// Splices may lose this.
    pub splice_limit_db: f64,
    /// Whether the plan asks for 20 s of averaging.
    pub asks_averaging: bool,
}

/// Lengths with the pulses that are used for them: common practice, no source.
const SIZES: [(f64, u16); 6] = [
    (2_000.0, 20),
    (4_500.0, 30),
    (8_000.0, 50),
    (14_000.0, 100),
    (26_000.0, 200),
    (48_000.0, 500),
];

impl Style {
    pub fn draw(random: &mut Random) -> Style {
        let (usual_m, pulse_ns) = random.pick(&SIZES);
        let length_m = usual_m * random.between(0.8, 1.25);
        let most = ((length_m / 500.0) as usize).clamp(1, 11);
        let count = random.whole(1.min(most), most);
        let drum_m = length_m / (count + 1) as f64;
        let plugged = random.chance(0.3).then(|| random.whole(1, count));
        let closure = |i: usize, random: &mut Random| Closure {
            at_m: drum_m * (i as f64 + random.between(-0.3, 0.3)),
            plugged: plugged == Some(i),
        };
        let cord_m = |random: &mut Random| {
            (f64::from(pulse_ns) * random.between(2.0, 8.0)).clamp(100.0, 2_000.0)
        };
        let sets: [&[u32]; 4] = [&[1310, 1550], &[1310, 1550], &[1550, 1625], &[1310, 1550, 1625]];
        Style {
            fibers: random.pick(&[12, 12, 16, 24, 24, 48]),
            nm: random.pick(&sets).to_vec(),
            length_m,
            closures: (1..=count).map(|i| closure(i, random)).collect(),
            pulse_ns,
            samples: random.pick(&[8_000, 16_000, 16_000, 24_000]),
            launch_m: cord_m(random),
            tail_m: cord_m(random),
            index: random.pick(&[1.4682, 1.4675, 1.4689]),
            speckle: random.between_log(0.0003, 0.002),
            receiver: Receiver {
                poles: random.whole(1, 5),
                pole_pulses: random.between(0.04, 0.1),
                slow: if random.chance(0.3) {
                    let fraction = random.between_log(0.0005, 0.004);
                    vec![Slow { fraction, length_pulses: random.between(1.0, 4.0) }]
                } else {
                    Vec::new()
                },
                ..Receiver::default()
            },
            margin_db: random.between(7.0, 13.0),
            step_db: random.between_log(0.005, 0.05),
            clock: 1.0 + 1e-5 * random.normal(),
            splice_limit_db: random.pick(&[0.15, 0.2, 0.3]),
            asks_averaging: random.chance(0.5),
        }
    }

    /// Length of the pulse in the glass.
    pub fn pulse_m(&self) -> f64 {
        f64::from(self.pulse_ns) * 0.1021 // c/2n per ns
    }

    /// Places of joints and both ends, as planned.
    pub fn places_m(&self) -> Vec<f64> {
        let inner = self.closures.iter().map(|c| c.at_m);
        std::iter::once(0.0).chain(inner).chain([self.length_m]).collect()
    }

    /// The splices among the closures, from 1.
    pub fn splices(&self) -> Vec<usize> {
        (1..=self.closures.len()).filter(|i| !self.closures[i - 1].plugged).collect()
    }

    pub fn plan(&self) -> String {
        let nm: Vec<String> = self.nm.iter().map(u32::to_string).collect();
        let slopes: Vec<String> =
            self.nm.iter().map(|nm| format!("{nm} = {}", limit_db_per_km(*nm))).collect();
        let joint = |(i, c): (usize, &Closure)| {
            let kind = if c.plugged { "connector" } else { "splice" };
            format!("[[joint]]\nname = \"C{}\"\nat_m = {:.1}\nkind = \"{kind}\"\n", i + 1, c.at_m)
        };
        let joints: Vec<String> = self.closures.iter().enumerate().map(joint).collect();
        let averaging = if self.asks_averaging { "min_averaging_s = 20.0\n" } else { "" };
        format!(
            "schema = \"strandline.plan/1\"\n[cable]\nid = \"KEL-8\"\nfibers = \"1-{}\"\n\
             ends = [\"KELP YARD\", \"FOG BANK\"]\nlength_m = {:.1}\n[measure]\n\
             wavelengths_nm = [{}]\ndirections = \"both\"\nlaunch_m = {:.1}\ntail_m = {:.1}\n\
             {averaging}{}[limits]\nsplice_db = {}\nconnector_db = 0.5\nreflectance_db = -40.0\n\
             attenuation_db_per_km = {{ {} }}\nlink_loss_db = \"from parts\"\nconfidence = 0.95\n",
            self.fibers,
            self.length_m,
            nm.join(", "),
            self.launch_m,
            self.tail_m,
            joints.concat(),
            self.splice_limit_db,
            slopes.join(", "),
        )
    }
}

/// Attenuation of good glass.
pub fn usual_db_per_km(nm: u32) -> f64 {
    match nm {
        ..=1400 => 0.335,
        1401..=1600 => 0.195,
        _ => 0.215,
    }
}

pub fn limit_db_per_km(nm: u32) -> f64 {
    match nm {
        ..=1400 => 0.38,
        1401..=1600 => 0.25,
        _ => 0.28,
    }
}
