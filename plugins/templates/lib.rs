//! A plug-in of gunter: one stage, to be made your own.

use gunter_plugin::schemars::JsonSchema;
use gunter_plugin::serde::{Deserialize, Serialize};
use gunter_plugin::{BindCx, Bound, Cx, Example, Grain, Inputs, Problem, Role, Spec, Stage, Table, TableBuilder, Threads};

/// Options of `NAME/raise`.
#[derive(Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, crate = "gunter_plugin::serde")]
#[schemars(crate = "gunter_plugin::schemars")]
struct Options {
    /// How far every height is raised, m.
    #[schemars(range(min = -10.0, max = 10.0))]
    by_m: f64,
}

struct Raise {
    by_m: f64,
    height: String,
}

impl Stage for Raise {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "NAME/raise",
        version: 1,
        summary: "Raise every height by one number",
        doc: "# What it does\nAdds a number to the heights.\n\n# When to use it\nTo learn how a stage is written.\n\n# What it promises\nAll rows and columns; only the heights change.\n\n# References\nNone.",
        inputs: Inputs::One,
        threads: Threads::Many,
        examples: &[Example { title: "A hand up", options: "by_m: 0.1\n" }],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let schema = cx.input()?;
        let height = schema.need(Role::ELLIPSOIDAL_HEIGHT).map_err(|p| vec![p])?.name.clone();
        if options.by_m == 0.0 {
            return Err(vec![Problem::new("raises-nothing", "0 raises nothing").option("by_m").fix("leave the step out")]);
        }
        Ok(Bound::new(Self { by_m: options.by_m, height }, schema.clone(), Grain::Rows))
    }

    fn run(&self, inputs: &[Table], _: &Cx) -> Result<Table, Problem> {
        let heights = raised(&inputs[0].floats(&self.height)?, self.by_m);
        let mut table = TableBuilder::from(&inputs[0], inputs[0].schema());
        table.floats(&self.height, heights);
        table.finish()
    }
}

/// A missing height is NaN and stays so.
fn raised(heights: &[f64], by_m: f64) -> Vec<f64> {
    heights.iter().map(|h| h + by_m).collect()
}

gunter_plugin::export_plugin!(name: "NAME", stages: [Raise]);

#[cfg(test)]
mod tests {
    #[test]
    fn heights_are_raised() {
        let all = super::raised(&[1.0, f64::NAN], 0.5);
        assert_eq!(all[0], 1.5);
        assert!(all[1].is_nan());
    }
}
