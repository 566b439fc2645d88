/* The boundary between gunter and a plug-in, version 1.0.
 *
 * A plug-in is a shared library that adds stages. This header is the whole contract; the README.md of the folder `plugins`
 * (PLUGINS.md in a project that `gunter plugin new` wrote) explains the JSON. The header has a version of its own, which
 * changes only when the boundary does and has nothing to do with the version of the program. SPDX-License-Identifier: Apache-2.0
 *
 * THE CONVERSATION
 *   1. The host opens the library and calls its one exported symbol, gunter_plugin_v1. The plug-in fills a
 *      struct gunter_plugin: which minor version it speaks, a description of its stages, and `bind`.
 *   2. For each step of a job that names one of its stages the host calls `bind`, before any data is read. The
 *      plug-in looks at options and input schemas and answers with every problem that it sees, or with a bound
 *      stage and the schema that it promises.
 *   3. For each partition of the data the host calls `run`. Tables go in and one table comes out, as Arrow C streams.
 *      The host compares what came with what was promised: names, types, units, roles, frame, rows.
 *
 * VERSIONS
 *   The major stands in the name of the symbol. Within a major, structs only grow at their end, and each side looks at
 *   `size` before it touches a member that 1.0 does not have. The host passes its minor to the entry function; the
 *   plug-in answers with the one that it was built for; both then use the lower of the two.
 *   Each struct that one side fills for the other begins with `size`: the caller sets it to the room that there is,
 *   the callee fills no more than that and sets it to what it filled.
 *
 * OWNERSHIP
 *   (1) Who makes a thing frees it, by the `release` in the struct, which sets itself to NULL. Nothing is freed twice.
 *   (2) Strings that the host passes live until the call returns. Copy what you keep.
 *   (3) Input streams are moved: take one by copying the struct and setting the `release` of the host's copy to NULL.
 *       On return, good or bad, the host releases what was not taken.
 *   (4) `out` is looked at only when 0 is returned. Then it is the host's, who releases it.
 *   (5) Arrays are independent of the stream that gave them and may be released later and on any thread.
 *   (6) A stream stays on the thread that `run` was called on; the host pulls `out` there, before or after
 *       `run` returns its own frame, never at the same time as another call on the same stream.
 *   (7) `describe_json` lives as long as the process. `bound_json` lives until the bound stage is released.
 *   (8) struct gunter_host and its functions may be used until `run` returns, from any thread. Later calls do nothing.
 *   (9) Buffers of the inputs are shared with the host and with other steps: never write to them.
 *  (10) The library is never unloaded.
 *
 * OPTIONS are described by a JSON Schema, which the host holds the job against before `bind`: "type", "properties",
 *   "required", "additionalProperties" (false on every object), "items", "minItems", "maxItems", "minLength", "maxLength",
 *   "minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum", "enum", "const" and "oneOf" of words, "$ref" into
 *   "$defs"; "anyOf" and "oneOf" of anything else are left to `bind`. Each option has a "description"; "default" is
 *   filled in when `bound_json` gives no options. A schema with another keyword is refused: check it in `bind`.
 *
 * STRINGS are UTF-8 without zero bytes. JSON objects may grow keys: ignore what you do not know.
 *
 * COLUMNS cross as Arrow struct arrays with children of five formats only: "b" true or false, "l" 64-bit whole
 *   number, "g" 64-bit float, "U" text with 64-bit offsets, "tsn:UTC" nanoseconds since 1970 UTC. No dictionaries, no
 *   views, no nesting. Missing is null, never NaN. Each child carries the metadata key "gunter:column" with
 *   {"unit": "m", "role": "height"}, and the struct itself "gunter:frame" with the frame of the coordinates or null.
 *   Both must be there on what comes back.
 *
 * FAILURE
 *   A function that returns non-zero fills struct gunter_error, whose JSON is one finding or a list of them:
 *     {"what": "the window is even", "option": "window", "row": 17, "code": "acme/even-window",
 *      "verdict": "error", "why": "...", "fix": "...", "size": "...", "point": "V-01", "place": "..."}
 *   Only "what" must be there. "point" is that of the row when left out. "option" is a dotted path below `options` (a.b[2]); "row" counts the rows of the
 *   first input from 0. The host draws both at their place in the job file and in the raw log. A text that is no
 *   JSON is taken as "what".
 *
 * MANNERS
 *   The same inputs give the same output: no clock, no chance, no environment, no state between calls.
 *   No panic or exception leaves a function. No signal handler, no change of folder, environment or locale, nothing
 *   on standard output, no `exit`, no thread that outlives `run`.
 */
#ifndef GUNTER_PLUGIN_H
#define GUNTER_PLUGIN_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define GUNTER_ABI_MAJOR 1u
#define GUNTER_ABI_MINOR 0u

#if defined(_WIN32)
#define GUNTER_EXPORT __declspec(dllexport)
#else
#define GUNTER_EXPORT __attribute__((visibility("default")))
#endif

/* The Arrow C data interface and C stream interface, as the Arrow project publishes them. */
#ifndef ARROW_C_DATA_INTERFACE
#define ARROW_C_DATA_INTERFACE

#define ARROW_FLAG_DICTIONARY_ORDERED 1
#define ARROW_FLAG_NULLABLE 2
#define ARROW_FLAG_MAP_KEYS_SORTED 4

struct ArrowSchema {
  const char *format;
  const char *name;
  const char *metadata;
  int64_t flags;
  int64_t n_children;
  struct ArrowSchema **children;
  struct ArrowSchema *dictionary;
  void (*release)(struct ArrowSchema *);
  void *private_data;
};

struct ArrowArray {
  int64_t length;
  int64_t null_count;
  int64_t offset;
  int64_t n_buffers;
  int64_t n_children;
  const void **buffers;
  struct ArrowArray **children;
  struct ArrowArray *dictionary;
  void (*release)(struct ArrowArray *);
  void *private_data;
};
#endif

#ifndef ARROW_C_STREAM_INTERFACE
#define ARROW_C_STREAM_INTERFACE

struct ArrowArrayStream {
  int (*get_schema)(struct ArrowArrayStream *, struct ArrowSchema *out);
  int (*get_next)(struct ArrowArrayStream *, struct ArrowArray *out);
  const char *(*get_last_error)(struct ArrowArrayStream *);
  void (*release)(struct ArrowArrayStream *);
  void *private_data;
};
#endif

/* What a function answers. */
enum gunter_code {
  GUNTER_OK = 0,
  GUNTER_BAD_OPTION = 1, /* the job is wrong */
  GUNTER_BAD_DATA = 2,   /* the data are wrong */
  GUNTER_CANCELLED = 3,  /* `cancelled` said so */
  GUNTER_INTERNAL = 4,   /* a fault of the plug-in */
  GUNTER_PANICKED = 5    /* a fault after which the plug-in cannot be used any more in this process */
};

/* Zeroed by the host but for `size`. Filled when a function returns non-zero; `release` may stay NULL. */
struct gunter_error {
  uint32_t size;
  int32_t code;
  const char *json;
  void (*release)(struct gunter_error *);
  void *private_data;
};

/* Lent by the host for the length of one `run`. Texts are given with their length and need no end. */
struct gunter_host {
  uint32_t size;
  uint32_t abi_minor;
  void *ctx;
  /* Rows of the first input, counted from 0, that go no further, with a reason code in kebab case and a detail for
     people. Every row that goes in comes out, is set aside, or is used (below): the host adds it up. 0 when kept. */
  int32_t (*set_aside)(void *ctx, const uint64_t *rows, size_t n_rows, const char *reason, size_t reason_len,
                       const char *detail, size_t detail_len);
  /* Rows of the first input that were used to make other rows; not for a stage of grain "rows". */
  void (*used)(void *ctx, uint64_t rows);
  /* A finding about the survey, in the form of an error's JSON. */
  void (*find)(void *ctx, const char *json, size_t json_len);
  /* A fact for the record: a key and any JSON value. */
  void (*fact)(void *ctx, const char *key, size_t key_len, const char *json, size_t json_len);
  /* Not 0 when the run was cancelled: return GUNTER_CANCELLED soon. */
  int32_t (*cancelled)(void *ctx);
};

/* One bound step. `run` may be called several times, and at the same time from several threads unless the
   description says "threads": "one". */
struct gunter_stage {
  uint32_t size;
  uint32_t reserved;
  /* {"grain": "rows" | "session" | "whole", "output": schema, "options": all options with defaults,
      "files": [{"path": "calibration.csv", "option": "calibration"}], "notes": [findings], "decided": {...}} */
  const char *bound_json;
  /* run_json: {"step": "depth", "session": "day1" | null, "files": [{"name": ..., "path": ...}]} */
  int32_t (*run)(const struct gunter_stage *self, const char *run_json, const struct gunter_host *host,
                 struct ArrowArrayStream *inputs, size_t n_inputs, struct ArrowArrayStream *out,
                 struct gunter_error *error);
  void (*release)(struct gunter_stage *self);
  void *private_data;
};

struct gunter_plugin {
  uint32_t size;
  uint32_t abi_major;
  uint32_t abi_minor;
  uint32_t reserved;
  /* {"plugin": "acme", "version": "1.2.0", "license": "...", "stages": [{"name": "acme/smooth", "version": 1,
      "summary": "...", "doc": "...", "inputs": "one" | "many", "threads": "many" | "one",
      "options": JSON Schema, "examples": [{"title": "...", "options": "YAML"}],
      "files": {"readings.csv": "the text of a small file that an example names"}}]} */
  const char *describe_json;
  /* inputs_json: a list of schemas. context_json: {"host": {...}, "rig": ... | null, "reference": ... | null,
     "place": {...} | null}. */
  int32_t (*bind)(const char *stage, const char *options_json, const char *inputs_json, const char *context_json,
                  struct gunter_stage *out, struct gunter_error *error);
};

/* The one symbol that a plug-in exports. The major is in its name. */
GUNTER_EXPORT int32_t gunter_plugin_v1(uint32_t host_minor, struct gunter_plugin *out, struct gunter_error *error);

#ifdef __cplusplus
}
#endif
#endif
