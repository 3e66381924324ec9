//! What concerns the whole link: sections and all fibre, the mean of its splices, loss, return loss,
//! length.

use super::{Court, Figure, LEAST_SECTION_PULSES, Of, Quantity, place_doubt, remedy};
use crate::grade::{self, Limit, Verdict};
use crate::plan::{JointKind, LinkLimit};
use crate::units::Measured;

impl Court<'_> {
    /// Each section, and all of them together: attenuation is the fibre's, so a short section that
    /// cannot be decided alone is covered by the mean, while one that fails alone fails the link.
    pub(super) fn sections(&mut self) {
        let Some((start, end)) = self.ends() else { return };
        let limit = self
            .trace
            .settings
            .wavelength_nm
            .and_then(|nm| self.plan.attenuation_limit_db_per_km(nm));
        let Some(limit) = limit.map(Limit::AtMost) else { return };
        let least_m = LEAST_SECTION_PULSES * self.trace.pulse_m();
        let mut slopes: Vec<Measured> = Vec::new();
        for (i, section) in self.analysis.sections.iter().enumerate() {
            let inside = section.from_m >= start && section.to_m <= end;
            let Some(own) = section.attenuation_db_per_km.filter(|_| inside) else { continue };
            slopes.extend(Some(own).filter(|own| own.sigma > 0.0));
            let mut item =
                self.item(Of::Section(i), Quantity::Attenuation, self.on_scale(own), limit);
            let long = section.to_m.0 - section.from_m.0 >= least_m;
            if !long && item.verdict == Verdict::Fail {
                item.verdict = Verdict::Undecided;
            }
            item.counts = item.verdict != Verdict::Undecided;
            if !item.counts {
                item.remedy = Some("does not count alone: all fibre together is judged".into());
            }
            self.judged.items.push(item);
        }
        let figure = Measured::mean(slopes).map_or(Figure::Unmeasured, |mean| self.on_scale(mean));
        let mut item = self.item(Of::Fiber, Quantity::Attenuation, figure, limit);
        if item.verdict == Verdict::Undecided {
            item.remedy = Some(match figure {
                Figure::Unmeasured => "a shorter pulse: no clean fibre is left to measure".into(),
                _ => remedy::of_figure(self, &item, self.limits.linearity_db_per_db),
            });
        }
        self.judged.items.push(item);
    }

    /// The figure with the scale's linearity on it.
    fn on_scale(&self, own: Measured) -> Figure {
        Figure::Whole(grade::with_linearity(own, self.limits.linearity_db_per_db))
    }

    /// The mean over the link's splices, each read from one end.
    pub(super) fn splices_together(&mut self) {
        let Some(limit) = self.limits.splice_mean_db else { return };
        let splices = self.sum(JointKind::Splice, |_| true);
        if splices.count == 0 {
            return;
        }
        let n = splices.known.max(1) as f64;
        let mean = splices.loss_db.times(1.0 / n).widened(self.limits.one_way_db / n.sqrt());
        let whole = splices.known == splices.count;
        let figure = if splices.known == 0 { Figure::Unmeasured } else { self.on_scale(mean) };
        let mut item = self.item(Of::Splices, Quantity::MeanLoss, figure, Limit::AtMost(limit));
        if !whole && item.verdict == Verdict::Pass {
            item.verdict = Verdict::Undecided;
        }
        if item.verdict == Verdict::Undecided {
            item.remedy = Some(if whole {
                "the other end: unequal fibres then cancel".into()
            } else {
                "a shorter pulse, or the other end: the loss of some splices is hidden".into()
            });
        }
        self.judged.items.push(item);
    }

    pub(super) fn link(&mut self) {
        let Some(span) = self.analysis.span else { return };
        if let Some(nm) = self.trace.settings.wavelength_nm {
            if let Some(limit) = self.plan.link_limit_db(nm) {
                self.link_loss(span.loss_db, Limit::AtMost(limit));
            }
            if let Some(limit) = self.plan.min_link_limit_db(nm) {
                self.link_loss(span.loss_db, Limit::AtLeast(limit));
            }
        } else {
            self.wavelength_unsaid();
        }
        if let Some(limit) = self.limits.orl_db {
            let doubt_db = self.limits.backscatter_sigma_db;
            let figure =
                span.orl_db.map_or(Figure::Unmeasured, |m| Figure::Whole(m.widened(doubt_db)));
            let mut item = self.item(Of::Link, Quantity::ReturnLoss, figure, Limit::AtLeast(limit));
            if item.verdict == Verdict::Undecided {
                item.remedy = Some(remedy::of_figure(self, &item, 0.0));
            }
            self.judged.items.push(item);
        }
        if let Some(limit) = self.limits.max_length_m {
            let doubt = place_doubt(self.trace, span.length_m);
            let length = Measured::new(span.length_m.value, doubt.together_m());
            let mut item =
                self.item(Of::Link, Quantity::Length, Figure::Whole(length), Limit::AtMost(limit));
            if item.verdict == Verdict::Undecided {
                item.remedy = Some("the fibre's own group index, from its data sheet".into());
            }
            self.judged.items.push(item);
        }
    }

    /// The link's loss. Where a connector at an end is not seen, its loss is missing in the figure:
    /// such a link can fail its largest loss, and pass its least, but not the other way round.
    fn link_loss(&mut self, loss: Option<Measured>, limit: Limit) {
        let figure = loss.map_or(Figure::Unmeasured, |loss| {
            let with = grade::with_linearity(loss, self.limits.linearity_db_per_db);
            Figure::Whole(with.widened(self.limits.one_way_db))
        });
        let mut item = self.item(Of::Link, Quantity::Loss, figure, limit);
        let whole = match self.limits.link_loss_db {
            // Made of what the cords show: the limit then leaves out what the figure leaves out.
            Some(LinkLimit::FromParts) => {
                self.sees_near_connector() == self.plan.measure.launch_m.is_some()
                    && self.sees_far_connector() == self.plan.measure.tail_m.is_some()
            }
            _ => self.sees_near_connector() && self.sees_far_connector(),
        };
        let hopeful = match limit {
            Limit::AtMost(_) => Verdict::Pass,
            Limit::AtLeast(_) => Verdict::Fail,
        };
        if !whole && item.verdict == hopeful {
            item.verdict = Verdict::Undecided;
        }
        if item.verdict == Verdict::Undecided {
            item.remedy = Some(if whole {
                remedy::of_link(self, &item)
            } else {
                "cords at both ends: the loss of a connector there is not in the figure".into()
            });
        }
        self.judged.items.push(item);
    }

    /// Limits that hang on the wavelength stay open where the file states none; the least of each stands for them.
    fn wavelength_unsaid(&mut self) {
        let own = &self.limits.attenuation_db_per_km;
        let attenuation = own.values().copied().min_by(f64::total_cmp);
        let of_link = match &self.limits.link_loss_db {
            Some(LinkLimit::PerWavelength(table)) => table.keys(),
            Some(LinkLimit::FromParts) | None => own.keys(),
        };
        let of_link = of_link.filter_map(|nm| self.plan.link_limit_db(f64::from(*nm)));
        let link = of_link.min_by(f64::total_cmp);
        for (of, quantity, limit) in
            [(Of::Fiber, Quantity::Attenuation, attenuation), (Of::Link, Quantity::Loss, link)]
        {
            let Some(limit) = limit else { continue };
            let mut item = self.item(of, quantity, Figure::Unmeasured, Limit::AtMost(limit));
            let remedy = "the wavelength, which the file does not state: this limit hangs on it";
            item.remedy = Some(remedy.into());
            self.judged.items.push(item);
        }
    }

    /// Without an end every limit is undecided that a link could have met.
    pub(super) fn nothing_seen(&mut self) {
        let nm = self.trace.settings.wavelength_nm;
        let limit = nm.and_then(|nm| self.plan.link_limit_db(nm)).or(self.limits.splice_db);
        let Some(limit) = limit.or(self.limits.connector_db) else { return };
        let mut item =
            self.item(Of::Link, Quantity::Loss, Figure::Unmeasured, Limit::AtMost(limit));
        item.remedy = Some(
            "a longer pulse, or longer averaging: the end must stand clear of the noise".into(),
        );
        self.judged.items.push(item);
    }
}
