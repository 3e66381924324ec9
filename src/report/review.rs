//! The review document for programs; tables and pages take their figures from it.

use std::collections::BTreeMap;

use serde::Serialize;

use super::rounded::{millimetres, rounded, sigma, value};
use super::{CAUTION, data, escape};
use crate::grade::Verdict;
use crate::job::{
    Direction, FiberReview, Finding, JointReview, LinkReview, Review, Row, SectionReview, Severity,
};
use crate::plan::{Colors, Plan, Waiver};

/// The document; tables and pages take their figures from it, so that all say the same.
#[derive(Serialize)]
pub(super) struct Document<'a> {
    pub(super) schema: &'static str,
    pub(super) caution: &'static str,
    pub(super) plan: PlanData<'a>,
    pub(super) counts: CountsData,
    pub(super) one_way: OneWayData,
    pub(super) notes: Vec<String>,
    pub(super) waivers: Vec<WaiverData>,
    pub(super) tests: Vec<TestData>,
    pub(super) fibers: Vec<FiberData>,
    pub(super) findings: Vec<FindingData>,
}

#[derive(Serialize)]
pub(super) struct PlanData<'a> {
    pub(super) cable: &'a str,
    pub(super) sha256: &'a str,
    pub(super) presets: Vec<&'static str>,
    pub(super) limits_come_from: String,
}

/// A deviation that the plan accepts, and whether it is there.
#[derive(Serialize)]
pub(super) struct WaiverData {
    pub(super) fiber: u32,
    #[serde(rename = "where")]
    pub(super) place: String,
    pub(super) reason: String,
    pub(super) by: Option<String>,
    pub(super) met: bool,
}

#[derive(Serialize)]
pub(super) struct CountsData {
    pub(super) planned: usize,
    pub(super) measured: usize,
    pub(super) passed: usize,
    pub(super) failed: usize,
    pub(super) undecided: usize,
    pub(super) missing: usize,
    pub(super) surplus: usize,
    pub(super) unreadable: usize,
}

#[derive(Serialize)]
pub(super) struct TestData {
    pub(super) fiber: Option<u32>,
    pub(super) wavelength_nm: Option<u16>,
    pub(super) direction: Option<&'static str>,
    pub(super) file: Option<String>,
    pub(super) sha256: Option<String>,
    pub(super) instrument: Option<String>,
    pub(super) serial: Option<String>,
    pub(super) operator: Option<String>,
    pub(super) measured_at: Option<String>,
    pub(super) counts: bool,
    pub(super) verdict: &'static str,
    pub(super) reasons: Vec<String>,
}

#[derive(Serialize)]
pub(super) struct FiberData {
    pub(super) fiber: u32,
    pub(super) color: String,
    pub(super) tube_color: String,
    pub(super) verdict: &'static str,
    pub(super) length_m: Option<f64>,
    pub(super) joints: Vec<JointData>,
    pub(super) links: Vec<LinkData>,
    pub(super) sections: Vec<SectionData>,
    pub(super) findings: Vec<FindingData>,
    pub(super) undecided: Vec<String>,
}

#[derive(Serialize)]
pub(super) struct JointData {
    pub(super) name: String,
    pub(super) at_m: f64,
    pub(super) at_sigma_m: f64,
    pub(super) wavelength_nm: u16,
    pub(super) loss_from_a_db: Option<f64>,
    pub(super) loss_from_a_sigma_db: Option<f64>,
    pub(super) loss_from_b_db: Option<f64>,
    pub(super) loss_from_b_sigma_db: Option<f64>,
    pub(super) loss_db: Option<f64>,
    pub(super) loss_sigma_db: Option<f64>,
    pub(super) step_db: Option<f64>,
    pub(super) step_sigma_db: Option<f64>,
    pub(super) bend_db: Option<f64>,
    pub(super) bend_sigma_db: Option<f64>,
    pub(super) reflectance_db: Option<f64>,
    pub(super) reflectance_sigma_db: Option<f64>,
    pub(super) verdict: Option<&'static str>,
    pub(super) waived: Option<String>,
}

#[derive(Serialize)]
pub(super) struct LinkData {
    pub(super) wavelength_nm: u16,
    pub(super) loss_db: Option<f64>,
    pub(super) loss_sigma_db: Option<f64>,
    pub(super) limit_db: Option<f64>,
    pub(super) verdict: Option<&'static str>,
    pub(super) return_loss_db: Option<f64>,
    pub(super) return_loss_sigma_db: Option<f64>,
    pub(super) return_loss_verdict: Option<&'static str>,
    pub(super) splice_mean_db: Option<f64>,
    pub(super) splice_mean_sigma_db: Option<f64>,
    pub(super) splice_mean_verdict: Option<&'static str>,
}

#[derive(Serialize)]
pub(super) struct OneWayData {
    pub(super) sigma_db: f64,
    pub(super) joints: usize,
    pub(super) says: String,
}

#[derive(Serialize)]
pub(super) struct SectionData {
    pub(super) wavelength_nm: u16,
    pub(super) direction: &'static str,
    pub(super) from_m: Option<f64>,
    pub(super) to_m: Option<f64>,
    pub(super) attenuation_db_per_km: Option<f64>,
    pub(super) attenuation_sigma_db_per_km: Option<f64>,
    pub(super) limit_db_per_km: Option<f64>,
    pub(super) verdict: Option<&'static str>,
}

#[derive(Serialize)]
pub(super) struct FindingData {
    pub(super) kind: &'static str,
    pub(super) severity: &'static str,
    #[serde(rename = "where")]
    pub(super) place: Option<String>,
    pub(super) at_m: Option<f64>,
    pub(super) files: Vec<String>,
    pub(super) evidence: BTreeMap<&'static str, f64>,
    pub(super) says: String,
    pub(super) next: String,
}

/// The document `strandline.review/1` as text.
///
/// `plan_sha256`: hash of the plan file's bytes.
///
/// # Errors
/// Never in practice: the document has no keys that JSON could not hold.
pub fn json(review: &Review, plan: &Plan, plan_sha256: &str) -> Result<String, serde_json::Error> {
    let document = document(review, plan, plan_sha256);
    Ok(escape::json(serde_json::to_string_pretty(&document)?) + "\n")
}

/// The document as data.
pub(super) fn document<'a>(review: &Review, plan: &'a Plan, plan_sha256: &'a str) -> Document<'a> {
    let c = review.counts;
    Document {
        schema: "strandline.review/1",
        caution: CAUTION,
        plan: PlanData {
            cable: &plan.cable.id,
            sha256: plan_sha256,
            presets: plan.limits.presets.iter().map(|p| p.name).collect(),
            limits_come_from: plan.limits.origin().unwrap_or_else(|| "the plan".into()),
        },
        counts: CountsData {
            planned: c.planned,
            measured: c.measured,
            passed: c.passed,
            failed: c.failed,
            undecided: c.undecided,
            missing: c.missing,
            surplus: c.surplus,
            unreadable: c.unreadable,
        },
        one_way: OneWayData {
            sigma_db: rounded(review.one_way.sigma_db),
            joints: review.one_way.joints,
            says: review.one_way.words(),
        },
        notes: review.all_notes(plan),
        waivers: plan.waivers.iter().map(|own| waiver(own, review)).collect(),
        tests: review.rows.iter().map(|row| test(row, review)).collect(),
        fibers: review.fibers.iter().map(|own| fiber(own, &plan.cable.colors)).collect(),
        findings: review.findings.iter().map(finding).collect(),
    }
}

fn waiver(own: &Waiver, review: &Review) -> WaiverData {
    WaiverData {
        fiber: own.fiber,
        place: own.place.clone(),
        reason: own.reason.clone(),
        by: Some(own.by.clone()).filter(|by| !by.is_empty()),
        met: !review.is_unmet(own),
    }
}

fn test(row: &Row, review: &Review) -> TestData {
    let file = row.test.map(|i| &review.tests[i]);
    let content = file.and_then(|t| t.read());
    TestData {
        fiber: row.fiber,
        wavelength_nm: row.wavelength_nm,
        direction: row.direction.map(Direction::word),
        file: file.map(|t| t.path.to_string_lossy().into_owned()),
        sha256: file.map(|t| t.sha256.clone()),
        instrument: content.map(|c| c.instrument.clone()),
        serial: content.map(|c| c.serial.clone()),
        operator: content.map(|c| c.operator.clone()),
        measured_at: content.and_then(|c| c.measured_at_unix_s).and_then(data::utc),
        counts: row.counts,
        verdict: row.verdict.word(),
        reasons: row.reasons.clone(),
    }
}

fn fiber(own: &FiberReview, colors: &Colors) -> FiberData {
    FiberData {
        fiber: own.fiber,
        color: colors.fiber(own.fiber),
        tube_color: colors.tube(own.fiber),
        verdict: own.verdict.word(),
        length_m: own.length_m.map(millimetres),
        joints: own.joints.iter().map(joint).collect(),
        links: own.links.iter().map(link).collect(),
        sections: own.sections.iter().map(section).collect(),
        findings: own.findings.iter().map(finding).collect(),
        undecided: undecided(own),
    }
}

fn joint(own: &JointReview) -> JointData {
    JointData {
        name: own.name.clone(),
        at_m: millimetres(own.at_m),
        at_sigma_m: millimetres(own.at_sigma_m),
        wavelength_nm: own.wavelength_nm,
        loss_from_a_db: value(own.loss.from_a_db),
        loss_from_a_sigma_db: sigma(own.loss.from_a_db),
        loss_from_b_db: value(own.loss.from_b_db),
        loss_from_b_sigma_db: sigma(own.loss.from_b_db),
        loss_db: value(own.loss.loss_db),
        loss_sigma_db: sigma(own.loss.loss_db),
        step_db: value(own.loss.step_db),
        step_sigma_db: sigma(own.loss.step_db),
        bend_db: value(own.bend_db),
        bend_sigma_db: sigma(own.bend_db),
        reflectance_db: value(own.reflectance_db),
        // Without a sigma it is the least that a saturated receiver saw.
        reflectance_sigma_db: sigma(own.reflectance_db.filter(|r| r.sigma > 0.0)),
        verdict: own.verdict.map(Verdict::word),
        waived: own.waived.clone(),
    }
}

fn link(own: &LinkReview) -> LinkData {
    LinkData {
        wavelength_nm: own.wavelength_nm,
        loss_db: value(own.loss_db),
        loss_sigma_db: sigma(own.loss_db),
        limit_db: own.limit_db.map(rounded),
        verdict: own.verdict.map(Verdict::word),
        return_loss_db: value(own.return_loss_db),
        return_loss_sigma_db: sigma(own.return_loss_db),
        return_loss_verdict: own.return_loss_verdict.map(Verdict::word),
        splice_mean_db: value(own.splice_mean_db),
        splice_mean_sigma_db: sigma(own.splice_mean_db),
        splice_mean_verdict: own.splice_mean_verdict.map(Verdict::word),
    }
}

/// What leaves a fibre undecided: `at 1310 and 1550 nm: …`.
pub(super) fn undecided(own: &FiberReview) -> Vec<String> {
    let mut all: Vec<(&str, String)> = Vec::new();
    for (nm, says) in &own.open {
        match all.iter_mut().find(|(said, _)| said == says) {
            Some((_, wavelengths)) => wavelengths.push_str(&format!(" and {nm}")),
            None => all.push((says, nm.to_string())),
        }
    }
    all.into_iter().map(|(says, nm)| format!("at {nm} nm: {says}")).collect()
}

fn section(own: &SectionReview) -> SectionData {
    SectionData {
        wavelength_nm: own.wavelength_nm,
        direction: own.direction.word(),
        from_m: own.from_m.map(millimetres),
        to_m: own.to_m.map(millimetres),
        attenuation_db_per_km: value(own.attenuation_db_per_km),
        attenuation_sigma_db_per_km: sigma(own.attenuation_db_per_km),
        limit_db_per_km: own.limit_db_per_km.map(rounded),
        verdict: own.verdict.map(Verdict::word),
    }
}

fn finding(found: &Finding) -> FindingData {
    FindingData {
        kind: found.kind,
        severity: severity(found.severity),
        place: found.place.clone(),
        at_m: found.at_m.map(millimetres),
        files: found.files.iter().map(|f| f.to_string_lossy().into_owned()).collect(),
        evidence: found.evidence.iter().map(|(k, v)| (*k, rounded(*v))).collect(),
        says: found.says.clone(),
        next: found.next.clone(),
    }
}

pub(super) fn severity(severity: Severity) -> &'static str {
    match severity {
        Severity::Remark => "remark",
        Severity::Fault => "fault",
    }
}
