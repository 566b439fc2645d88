#!/usr/bin/env python3
"""Example plug-in of gunter as a process: looks codes up in a table.

It speaks JSON lines on standard input and output, and tables go through Arrow files. Needs pyarrow. Nothing but
messages may go to standard output; print to standard error to see something.
"""

import csv
import json
import sys

import pyarrow as pa
import pyarrow.ipc

ABOUT = {
    "plugin": "codebook",
    "version": "1.0.0",
    "license": "Apache-2.0",
    "stages": [
        {
            "name": "codebook/lookup",
            "version": 1,
            "summary": "Add the meaning of the feature codes from a table",
            "doc": "# What it does\nAdds the column `meaning`, found by the feature code of each row in a table with the columns"
            " `code` and `meaning`.\n\n# When to use it\nBefore an export whose readers do not know the codes.\n\n"
            "# What it promises\nAll rows and columns as they were, and one more. A code that the table lacks stays"
            " empty and is said.\n\n# References\nNone.",
            "inputs": "one",
            "threads": "many",
            "options": {
                "type": "object",
                "additionalProperties": False,
                "required": ["table"],
                "properties": {"table": {"type": "string", "description": "Table with the columns `code` and `meaning`, relative to the job."}},
            },
            "examples": [{"title": "The codes of the works", "options": "table: codes.csv\n"}],
            "files": {"codes.csv": "code,meaning\nVALVE,gate valve\n"},
        }
    ],
}


class Wrong(Exception):
    """A finding: what is wrong, and with which option."""

    def __init__(self, what, **more):
        super().__init__(what)
        self.finding = {"code": "codebook/cannot-look-up", "what": what, **more}


def say(**message):
    sys.stdout.write(json.dumps(message) + "\n")
    sys.stdout.flush()


def bind(message):
    schema = message["inputs"][0]
    code = next((c for c in schema["columns"] if c["role"] == "code" and c["holds"] == "text"), None)
    if code is None:
        raise Wrong("the table above has no column of feature codes", fix="put `average` before this step")
    if any(c["name"] == "meaning" for c in schema["columns"]):
        raise Wrong("the table above has a column `meaning` already", fix="use this stage once")
    new = {"name": "meaning", "holds": "text", "unit": "", "role": "other", "nullable": True}
    output = {"columns": schema["columns"] + [new], "frame": schema["frame"]}
    files = [{"path": message["options"]["table"], "option": "table"}]
    return {"grain": "rows", "output": output, "options": message["options"], "files": files, "code": code["name"]}


def meanings(files):
    found = {}
    for file in files:
        with open(file["path"], newline="", encoding="utf-8") as lines:
            reader = csv.DictReader(lines)
            if not {"code", "meaning"} <= set(reader.fieldnames or []):
                raise Wrong(f"`{file['name']}` needs the columns `code` and `meaning`", option="table")
            for row in reader:
                found[row["code"]] = row["meaning"]
    return found


def run(message, bound):
    table = pa.ipc.open_file(message["tables"][0]).read_all()
    known = meanings(message["run"]["files"])
    codes = table.column(bound["code"]).to_pylist()
    field = pa.field("meaning", pa.large_string(), metadata={b"gunter:column": b'{"unit": "", "role": "other"}'})
    column = pa.array([known.get(code) for code in codes], pa.large_string())
    # The metadata of the table carries the frame and must go with it.
    schema = pa.schema([*table.schema, field], metadata=table.schema.metadata)
    out = pa.Table.from_arrays([*table.columns, column], schema=schema)
    for code in sorted({c for c in codes if c is not None and c not in known}):
        row = codes.index(code)
        say(say="find", finding={"code": "codebook/unknown-code", "verdict": "warn", "what": f"the table does not know the code `{code}`", "row": row})
    with pa.ipc.new_file(message["out"], out.schema) as writer:
        writer.write_table(out)


def main():
    bound = {}
    for line in sys.stdin:
        message = json.loads(line)
        try:
            if message["say"] == "hello":
                say(say="hello", abi="1.0", about=ABOUT)
            elif message["say"] == "bind":
                bound[message["bound"]] = bind(message)
                say(say="bound", bound=bound[message["bound"]])
            elif message["say"] == "run":
                run(message, bound[message["bound"]])
                say(say="done")
        except Wrong as wrong:
            say(say="failed", code=1, findings=[wrong.finding])


if __name__ == "__main__":
    main()
