//! An operation that the lock of the job fixes.

use super::Operation;
use crate::crs::block;
use crate::operation::request::OperationRequest;
use crate::pins;
use crate::pins::Pipeline;
use pipeline_base::pin::{GivesIn, Locked, Pin, ProbeAt};
use pipeline_base::problem::Problem;

impl Operation {
    /// For the lock of a job, as this part of a step.
    ///
    /// # Errors
    /// When it gives no result at a point.
    pub fn pin(&self, part: &str, probes: &[ProbeAt]) -> Result<Pin, Problem> {
        Pipeline {
            part,
            name: &self.name,
            from: &self.from,
            to: &self.to,
            text: &self.pipeline,
            accuracy_m: Some(self.accuracy_m),
            files: &self.files,
            gives_in: GivesIn::Degree,
            time: self.time,
        }
        .pin(probes)
    }

    /// Takes exactly what the lock says, or refuses. `fresh` is what this machine would choose.
    pub(super) fn locked(
        mut self,
        wish: &OperationRequest,
        (locked, part): (Locked, &str),
        same: bool,
        fresh: Result<Self, Box<Problem>>,
    ) -> Result<Self, Box<Problem>> {
        let pin = locked.pin(part)?;
        let accuracy_m = pin.accuracy_m.unwrap_or(f64::INFINITY);
        if accuracy_m > wish.budget_m {
            return Err(Box::new(
                block(
                    "frame/accuracy-over-budget",
                    format!("the locked operation `{}` states {accuracy_m:.3} m; the budget is {:.3} m", pin.name, wish.budget_m),
                )
                .reference_key("budget.operation_m")
                .size(format!("up to {accuracy_m:.3} m"))
                .fix("make the lock again with a better operation, or raise `budget.operation_m` if the client accepts it"),
            ));
        }
        let files = pins::hold(locked, pin, (&self.from, &self.to), wish.folders, wish.locality)?;
        if let Ok(fresh) = fresh {
            if fresh.pipeline == pin.pipeline {
                self.limits = fresh.limits;
                self.areas = fresh.areas;
                self.notes = fresh.notes;
                self.motion = fresh.motion;
            }
            self.notes.extend(pins::other_choice(pin, &fresh.name, &fresh.pipeline, &fresh.files));
            self.candidates = fresh.candidates;
        }
        self.identity = same && pin.pipeline == super::NOTHING;
        self.name.clone_from(&pin.name);
        self.pipeline.clone_from(&pin.pipeline);
        self.accuracy_m = accuracy_m;
        self.files = files;
        self.lock = Some(held(locked, pin));
        Ok(self)
    }
}

/// One line for the plan and the record.
#[must_use]
pub fn held(locked: Locked, pin: &Pin) -> String {
    format!(
        "as locked: {n} of {n} probe points agree; the lock was made with {}, {}",
        locked.made_with.library,
        locked.made_with.registry,
        n = pin.probes.len()
    )
}
