//! The front door for programs that embed the engine: `pipeline-core/examples/run_a_job.rs` works as it is written.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

#[path = "../pipeline-core/examples/run_a_job.rs"]
mod run_a_job;

use pipeline_core::plan;

#[test]
fn a_job_from_memory_is_refused_in_its_text_and_run_when_it_is_good() {
    let folder = tempfile::tempdir().unwrap();
    let mut said = vec![];
    run_a_job::example(folder.path(), &mut said).unwrap();
    let said = String::from_utf8(said).unwrap();
    let has = |words: &str| assert!(said.contains(words), "no `{words}` in\n{said}");
    // The wrong job: the word is underlined in the text that never was a file.
    has("error[job/unknown-stage]: no stage is called `avrage`");
    has("--> two-points:19:12");
    has("refused, nothing was run");
    // The good one: 120 epochs, half of them in the two occupations.
    has("\ndone\n");
    has("step epochs: 0 rows in, 120 out");
    has("step points: 60 rows in, 2 out");
    has("point A: 0.0");
    has("point B: 0.0");
    has("delivered points.csv (2 rows)");

    // The delivery is there, and the second point lies where the log puts it: 0.006 minutes of latitude further north.
    let mut table = csv::Reader::from_path(folder.path().join("results/points.csv")).unwrap();
    let column = table.headers().unwrap().iter().position(|h| h == "northing_m").unwrap();
    let northings: Vec<f64> = table.records().map(|r| r.unwrap()[column].parse().unwrap()).collect();
    assert_eq!(northings.len(), 2);
    // 0.006 minutes of an arc of 1 852 m a minute, by the scale of the grid: eleven metres.
    assert!((northings[1] - northings[0] - 11.11).abs() < 0.02, "{northings:?}");
    let record: serde_json::Value = serde_json::from_slice(&std::fs::read(folder.path().join("results/record.json")).unwrap()).unwrap();
    assert_eq!(record["decided"]["result"], "done");
}

#[test]
fn a_job_from_memory_is_the_job_of_the_file() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let registry = stages::registry().unwrap();
    let file = root.join("jobs/demo.yaml");
    let text = std::fs::read_to_string(&file).unwrap();
    let digest = |plan: Result<plan::Plan, Box<plan::RefusedJob>>| {
        let plan = plan.unwrap_or_else(|r| panic!("{:#?}", r.findings));
        (pipeline_core::record::plan_and_digest(&plan).1, plan.results)
    };
    let (from_file, results) = digest(plan::compile(&file, &registry));
    let (from_text, same) = digest(plan::compile_text("demo.yaml", &text, &root.join("jobs"), &registry));
    assert_eq!(from_file, from_text);
    assert_eq!(results, same);
    // Without `results` it delivers below its name, in the folder, whatever folders stand in the name.
    let nameless = text.replace("results: results/demo\n", "");
    let (_, results) = digest(plan::compile_text("somewhere/else.yaml", &nameless, &root.join("jobs"), &registry));
    assert_eq!(results, root.join("jobs/results/else"));
}
