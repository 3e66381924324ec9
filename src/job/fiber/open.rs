//! What leaves a fibre undecided, in words: no verdict is withheld without its figure, sigma and limit.

use super::{FiberReview, JointReview, LinkReview};
use crate::grade::Verdict;
use crate::plan::Plan;
use crate::units::Measured;

/// What a link's loss says nothing about, and what would.
const LACKS_CONNECTOR: &str =
    "the connector of an end is not in that, for no cord shows it: measure with cords at both ends";
const HANGS_OPEN: &str =
    "an open end is in that, which reflects more than a connector does: measure with a tail cord";

/// Said where nothing that was measured has a limit.
pub const NO_LIMIT: &str = "the plan sets no limit for anything that was measured";

impl FiberReview {
    /// Whether a trace of this wavelength was read, be it judged or not.
    pub(in super::super) fn is_read_at(&self, wavelength_nm: u16) -> bool {
        self.sections.iter().any(|s| s.wavelength_nm == wavelength_nm)
            || self
                .joints
                .iter()
                .any(|j| j.wavelength_nm == wavelength_nm && j.loss.loss_db.is_some())
    }

    /// Why the fibre is undecided at a wavelength; empty where it is decided. `plan`: what it was
    /// judged by.
    pub(in super::super) fn open_at(&self, wavelength_nm: u16, plan: &Plan) -> Vec<String> {
        match self.worst_at(wavelength_nm) {
            None if self.is_read_at(wavelength_nm) => return vec![NO_LIMIT.to_owned()],
            None => return vec!["no figure of it is known".to_owned()],
            Some(Verdict::Undecided) => {}
            Some(_) => return Vec::new(),
        }
        let is_open = |verdict: Option<Verdict>| verdict == Some(Verdict::Undecided);
        let joints = self.joints.iter().filter(|j| j.wavelength_nm == wavelength_nm);
        let mut says: Vec<String> =
            joints.filter(|j| is_open(j.counting())).map(|joint| of_joint(joint, plan)).collect();
        let links = self.links.iter().filter(|l| l.wavelength_nm == wavelength_nm);
        says.extend(links.flat_map(|link| of_link(link, plan)));
        if self.judged_sections.contains(&(wavelength_nm, Verdict::Undecided)) {
            says.push("the attenuation of its fibre is too near its limit to tell".into());
        }
        says
    }
}

fn of_joint(joint: &JointReview, plan: &Plan) -> String {
    let limit_db = plan.allowance_at_db(&joint.name);
    let mut parts = vec![match joint.loss.loss_db {
        Some(loss) => figure("it loses", loss, limit_db),
        None => "its loss cannot be measured".to_owned(),
    }];
    parts.extend(
        joint.reflectance_db.map(|own| figure("it reflects", own, plan.limits.reflectance_db)),
    );
    let one_end = joint.loss.loss_db.is_some() && joint.loss.step_db.is_none();
    parts.extend(one_end.then(|| "it was read from one end alone".to_owned()));
    format!("{}: {}", joint.name, parts.join("; "))
}

fn of_link(link: &LinkReview, plan: &Plan) -> Vec<String> {
    let limits = &plan.limits;
    let lacks = |lacks: &str, loss: Measured| {
        format!(
            "the link loses {loss} dB, and what it may lose from parts is not known: the plan has no {lacks}"
        )
    };
    let loss = || match link.loss_db {
        Some(loss) if link.limit_lacks.is_some() => lacks(link.limit_lacks.unwrap_or(""), loss),
        Some(loss) if link.lacks_connector => {
            format!("{}; {LACKS_CONNECTOR}", figure("the link loses", loss, link.limit_db))
        }
        Some(loss) => figure("the link loses", loss, link.limit_db),
        None => "the link's loss is not known: an end of it is not seen".to_owned(),
    };
    let known = |what: &str, value: Option<Measured>, limit: Option<f64>| {
        value.map_or(format!("{what} what nobody could measure"), |m| figure(what, m, limit))
    };
    let undecided = Some(Verdict::Undecided);
    let mut says = Vec::new();
    if link.verdict == undecided {
        says.push(loss());
    }
    if link.return_loss_verdict == undecided {
        let light = known("the return loss is", link.return_loss_db, limits.orl_db);
        says.push(if link.is_open { format!("{light}; {HANGS_OPEN}") } else { light });
    }
    if link.splice_mean_verdict == undecided {
        says.push(known("its splices lose on average", link.splice_mean_db, limits.splice_mean_db));
    }
    if link.length_verdict == undecided {
        says.push(match link.length_m {
            Some(_) => "its length is too near its limit to tell".into(),
            None => "its length is not known: an end of it is not seen".into(),
        });
    }
    says
}

fn figure(what: &str, value: Measured, limit_db: Option<f64>) -> String {
    let limit = limit_db.map_or("no limit is set".to_owned(), |l| {
        format!("the limit is {} dB", (l * 1e3).round() / 1e3)
    });
    format!("{what} {value} dB, {limit}")
}
