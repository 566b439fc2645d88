/* Example plug-in of gunter in C, on the header alone: a linear filter, the mean of a column over its neighbours.
 *
 *   cc -std=c99 -O2 -shared -fPIC -fvisibility=hidden -I ../abi/include steady.c -o libsteady.so -lm
 */
#include "gunter_plugin.h"
#include "json.h"
#include <stdio.h>

static const char ABOUT[] =
    "{\"plugin\":\"steady\",\"version\":\"1.0.0\",\"license\":\"Apache-2.0\",\"stages\":[{"
    "\"name\":\"steady/mean\",\"version\":1,\"summary\":\"Add the running mean of a column over its neighbours\","
    "\"doc\":\"# What it does\\nAdds the column `NAME_mean`: for each row the mean of the known values from `half_width` rows before"
    " to `half_width` rows after it, within the session. A row whose neighbours are all empty stays empty.\\n\\n"
    "# When to use it\\nTo look at a slow quantity through noise; never on coordinates that are delivered.\\n\\n"
    "# What it promises\\nAll rows and columns as they were, and one more column of the same unit.\\n\\n# References\\nNone.\","
    "\"inputs\":\"one\",\"threads\":\"many\",\"options\":{\"type\":\"object\",\"additionalProperties\":false,"
    "\"required\":[\"column\"],\"properties\":{"
    "\"column\":{\"type\":\"string\",\"description\":\"Column of numbers to filter.\"},"
    "\"half_width\":{\"type\":\"integer\",\"minimum\":1,\"maximum\":10000,\"default\":2,"
    "\"description\":\"Rows before and after each row that count.\"}}},"
    "\"examples\":[{\"title\":\"Dilution over eleven epochs\",\"options\":\"column: hdop\\nhalf_width: 5\\n\"}]}]}";

struct step {
  char *column;  /* its name */
  char *meaning; /* metadata of the new column: unit and role */
  char *bound;
  long half;
};

static void error_release(struct gunter_error *e) {
  free(e->private_data);
  e->json = NULL;
  e->release = NULL;
}

static int32_t fail(struct gunter_error *e, int32_t code, const char *what, const char *option) {
  size_t room = strlen(what) + 128;
  char *json = malloc(room);
  e->code = code;
  if (json) {
    if (option)
      snprintf(json, room, "{\"code\":\"steady/bad-option\",\"what\":\"%s\",\"option\":\"%s\"}", what, option);
    else
      snprintf(json, room, "{\"code\":\"steady/bad-data\",\"what\":\"%s\"}", what);
    e->json = json;
    e->private_data = json;
    e->release = error_release;
  }
  return code;
}

static void step_free(struct step *s) {
  if (!s) return;
  free(s->column), free(s->meaning), free(s->bound), free(s);
}

static void stage_release(struct gunter_stage *stage) {
  step_free(stage->private_data);
  stage->release = NULL;
}

/* --- tables ------------------------------------------------------------------------------------ */

/* One table on its way out: the schema and the array that came in, with one column more. */
struct out {
  struct ArrowSchema schema;
  struct ArrowArray array;
  int given;
};

static size_t metadata_size(const char *m) {
  int32_t pairs, n, i;
  size_t at = 4;
  if (!m) return 0;
  memcpy(&pairs, m, 4);
  for (i = 0; i < 2 * pairs; i++) {
    memcpy(&n, m + at, 4);
    at += 4 + (size_t)n;
  }
  return at;
}

static char *copy_of(const char *p, size_t n) {
  char *copy = p ? malloc(n ? n : 1) : NULL;
  if (copy) memcpy(copy, p, n);
  return copy;
}

static void schema_release(struct ArrowSchema *s) {
  int64_t i;
  for (i = 0; i < s->n_children; i++) {
    if (s->children[i] && s->children[i]->release) s->children[i]->release(s->children[i]);
    free(s->children[i]);
  }
  free(s->children), free((void *)s->format), free((void *)s->name), free((void *)s->metadata);
  s->release = NULL;
}

static int schema_copy(const struct ArrowSchema *from, struct ArrowSchema *to, int64_t room) {
  int64_t i;
  memset(to, 0, sizeof *to);
  to->format = copy_of(from->format, strlen(from->format) + 1);
  to->name = copy_of(from->name ? from->name : "", (from->name ? strlen(from->name) : 0) + 1);
  to->metadata = copy_of(from->metadata, metadata_size(from->metadata));
  to->flags = from->flags;
  to->release = schema_release;
  to->children = calloc((size_t)(from->n_children + room + 1), sizeof *to->children);
  if (!to->format || !to->name || !to->children) return -1;
  for (i = 0; i < from->n_children; i++) {
    struct ArrowSchema *child = calloc(1, sizeof *child);
    if (!child) return -1;
    to->children[i] = child;
    to->n_children = i + 1;
    if (schema_copy(from->children[i], child, 0)) return -1;
  }
  return 0;
}

static int out_schema(struct ArrowArrayStream *stream, struct ArrowSchema *to) {
  struct out *o = stream->private_data;
  if (schema_copy(&o->schema, to, 0)) {
    if (to->release) to->release(to);
    return 12;
  }
  return 0;
}

static int out_next(struct ArrowArrayStream *stream, struct ArrowArray *to) {
  struct out *o = stream->private_data;
  if (o->given) {
    memset(to, 0, sizeof *to);
  } else {
    *to = o->array; /* moved */
    o->given = 1;
  }
  return 0;
}

static const char *out_error(struct ArrowArrayStream *stream) {
  (void)stream;
  return "no memory";
}

static void out_free(struct out *o) {
  if (!o) return;
  if (o->schema.release) o->schema.release(&o->schema);
  if (!o->given && o->array.release) o->array.release(&o->array);
  free(o);
}

static void out_release(struct ArrowArrayStream *stream) {
  out_free(stream->private_data);
  stream->release = NULL;
}

/* The struct array that holds the columns of the input and the new one: it owns them all. */
static void table_release(struct ArrowArray *a) {
  int64_t i;
  for (i = 0; i < a->n_children; i++) {
    if (a->children[i] && a->children[i]->release) a->children[i]->release(a->children[i]);
    free(a->children[i]);
  }
  free(a->children), free(a->buffers);
  a->release = NULL;
}

static void column_release(struct ArrowArray *a) {
  free((void *)a->buffers[0]), free((void *)a->buffers[1]), free(a->buffers);
  a->release = NULL;
}

static int known(const struct ArrowArray *a, int64_t i) {
  const uint8_t *bits = a->buffers[0];
  i += a->offset;
  return !bits || (bits[i / 8] >> (i % 8) & 1);
}

/* The mean of the known neighbours, row by row. A sum that is carried along would keep the rounding of rows that are
 * long past; the window is summed anew, so that each row depends on its window alone. */
static int mean(const struct ArrowArray *in, long half, struct ArrowArray *to) {
  int64_t n = in->length, i, j;
  const double *values = (const double *)in->buffers[1] + in->offset;
  double *result = malloc(sizeof(double) * (size_t)(n ? n : 1));
  uint8_t *bits = calloc((size_t)(n / 8 + 1), 1);
  memset(to, 0, sizeof *to);
  to->buffers = calloc(2, sizeof *to->buffers);
  if (!result || !bits || !to->buffers) {
    free(result), free(bits), free(to->buffers);
    return -1;
  }
  for (i = 0; i < n; i++) {
    double sum = 0;
    int64_t count = 0, last = i + half < n ? i + half : n - 1;
    for (j = i > half ? i - half : 0; j <= last; j++)
      if (known(in, j)) sum += values[j], count++;
    result[i] = count ? sum / (double)count : 0;
    if (count)
      bits[i / 8] |= (uint8_t)(1u << (i % 8));
    else
      to->null_count++;
  }
  to->length = n;
  to->n_buffers = 2;
  to->buffers[0] = bits;
  to->buffers[1] = result;
  to->release = column_release;
  return 0;
}

/* Moves the columns of `array` into a new table and adds the mean of one of them. */
static int build(struct out *o, struct ArrowSchema *schema, struct ArrowArray *array, const struct step *s, int64_t at) {
  int64_t i, n = array->n_children;
  struct ArrowSchema *field = calloc(1, sizeof *field);
  size_t length = strlen(s->column) + 6;
  char *name = malloc(length);
  if (schema_copy(schema, &o->schema, 1) || !field || !name) {
    free(field), free(name);
    return -1;
  }
  snprintf(name, length, "%s_mean", s->column);
  field->format = copy_of("g", 2);
  field->name = name;
  field->metadata = copy_of(s->meaning, metadata_size(s->meaning));
  field->flags = ARROW_FLAG_NULLABLE;
  field->release = schema_release;
  o->schema.children[n] = field;
  o->schema.n_children = n + 1;

  o->array.length = array->length;
  o->array.n_buffers = 1;
  o->array.release = table_release;
  o->array.buffers = calloc(1, sizeof *o->array.buffers);
  o->array.children = calloc((size_t)n + 1, sizeof *o->array.children);
  if (!o->array.buffers || !o->array.children) return -1;
  for (i = 0; i <= n; i++) {
    if (!(o->array.children[i] = calloc(1, sizeof *o->array.children[i]))) return -1;
    o->array.n_children = i + 1;
  }
  if (mean(array->children[at], s->half, o->array.children[n])) return -1;
  for (i = 0; i < n; i++) { /* each column is moved: its old place is marked as released */
    *o->array.children[i] = *array->children[i];
    array->children[i]->release = NULL;
  }
  return 0;
}

static int32_t run(const struct gunter_stage *self, const char *run_json, const struct gunter_host *host,
                   struct ArrowArrayStream *inputs, size_t n_inputs, struct ArrowArrayStream *result,
                   struct gunter_error *error) {
  const struct step *s = self->private_data;
  struct ArrowSchema schema = {0};
  struct ArrowArray array = {0};
  struct out *o = NULL;
  int32_t answer = GUNTER_OK;
  int64_t at;
  (void)run_json;
  if (n_inputs != 1 || inputs[0].get_schema(&inputs[0], &schema)) return fail(error, GUNTER_BAD_DATA, "the table has no schema", NULL);
  /* The host sends a table in one piece. */
  if (inputs[0].get_next(&inputs[0], &array) || !array.release) answer = fail(error, GUNTER_BAD_DATA, "the table cannot be read", NULL);
  for (at = 0; !answer && at < schema.n_children && strcmp(schema.children[at]->name, s->column); at++) {
  }
  if (!answer && (at == schema.n_children || array.offset)) answer = fail(error, GUNTER_INTERNAL, "the column is gone", NULL);
  if (!answer && host->cancelled(host->ctx)) answer = fail(error, GUNTER_CANCELLED, "stopped", NULL);
  if (!answer) {
    o = calloc(1, sizeof *o);
    if (!o || build(o, &schema, &array, s, at)) {
      out_free(o);
      answer = fail(error, GUNTER_INTERNAL, "no memory", NULL);
    } else {
      struct ArrowArrayStream stream = {out_schema, out_next, out_error, out_release, o};
      *result = stream;
    }
  }
  if (schema.release) schema.release(&schema);
  if (array.release) array.release(&array);
  return answer; /* the input stream was not taken: the host releases it */
}

/* --- planning ---------------------------------------------------------------------------------- */

static void put(char **at, const void *bytes, size_t n) {
  memcpy(*at, bytes, n);
  *at += n;
}

/* Metadata with the one key that a column needs. */
static char *meaning_of(const char *unit, size_t unit_length) {
  static const char key[] = "gunter:column", head[] = "{\"unit\":", tail[] = ",\"role\":\"other\"}";
  int32_t one = 1, k = (int32_t)sizeof key - 1, v = (int32_t)(sizeof head - 1 + unit_length + sizeof tail - 1);
  char *all = malloc(12 + (size_t)k + (size_t)v), *at = all;
  if (!all) return NULL;
  put(&at, &one, 4), put(&at, &k, 4), put(&at, key, (size_t)k), put(&at, &v, 4);
  put(&at, head, sizeof head - 1), put(&at, unit, unit_length), put(&at, tail, sizeof tail - 1);
  return all;
}

static int32_t bind(const char *stage, const char *options, const char *inputs, const char *context,
                    struct gunter_stage *out, struct gunter_error *error) {
  const char *schema = json_item(inputs, 0), *columns = schema ? json_get(schema, "columns") : NULL, *column = NULL, *unit, *end;
  const char *half = json_get(options, "half_width");
  struct step *s = calloc(1, sizeof *s);
  size_t i, room;
  (void)stage, (void)context;
  if (!s || !columns) {
    free(s);
    return fail(error, GUNTER_INTERNAL, "no memory, or no schema", NULL);
  }
  s->half = half ? strtol(half, NULL, 10) : 2;
  s->column = json_text(json_get(options, "column"));
  for (i = 0; s->column && (column = json_item(columns, i)) && !json_is(json_get(column, "name"), s->column); i++) {
  }
  if (!column || !json_is(json_get(column, "holds"), "float")) {
    step_free(s);
    return fail(error, GUNTER_BAD_OPTION, column ? "the column does not hold numbers with decimals" : "the table above has no such column", "column");
  }
  unit = json_get(column, "unit");
  s->meaning = meaning_of(unit, (size_t)(json_skip(unit) - unit));
  end = json_skip(columns) - 1; /* the bracket that ends the columns */
  room = strlen(schema) + strlen(s->column) + strlen(unit) + 256;
  s->bound = malloc(room);
  if (!s->meaning || !s->bound) {
    step_free(s);
    return fail(error, GUNTER_INTERNAL, "no memory", NULL);
  }
  /* The schema that came in, with one column more. */
  snprintf(s->bound, room,
           "{\"grain\":\"session\",\"options\":{\"column\":\"%s\",\"half_width\":%ld},\"output\":%.*s,{\"name\":\"%s_mean\","
           "\"holds\":\"float\",\"unit\":%.*s,\"role\":\"other\",\"nullable\":true}%.*s}",
           s->column, s->half, (int)(end - schema), schema, s->column, (int)(json_skip(unit) - unit), unit, (int)(json_skip(schema) - end), end);
  out->size = sizeof *out;
  out->bound_json = s->bound;
  out->run = run;
  out->release = stage_release;
  out->private_data = s;
  return GUNTER_OK;
}

GUNTER_EXPORT int32_t gunter_plugin_v1(uint32_t host_minor, struct gunter_plugin *out, struct gunter_error *error) {
  (void)host_minor;
  if (out->size < sizeof *out) return fail(error, GUNTER_INTERNAL, "the host is older than version 1.0", NULL);
  out->size = sizeof *out;
  out->abi_major = GUNTER_ABI_MAJOR;
  out->abi_minor = GUNTER_ABI_MINOR;
  out->describe_json = ABOUT;
  out->bind = bind;
  return GUNTER_OK;
}
