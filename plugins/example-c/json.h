/* Just enough JSON to read options and schemas: it walks over text and allocates nothing. */
#ifndef JSON_H
#define JSON_H
#include <stdlib.h>
#include <string.h>

static inline const char *json_space(const char *p) {
  while (*p == ' ' || *p == '\n' || *p == '\t' || *p == '\r') p++;
  return p;
}

/* Behind the value that begins at p. */
static inline const char *json_skip(const char *p) {
  int depth = 0;
  p = json_space(p);
  do {
    if (*p == '"') {
      for (p++; *p && *p != '"'; p++)
        if (*p == '\\' && p[1]) p++;
      if (*p) p++;
    } else if (*p == '{' || *p == '[') {
      depth++, p++;
    } else if (*p == '}' || *p == ']') {
      depth--, p++;
    } else if (depth == 0) {
      while (*p && !strchr(",]} \n\t\r", *p)) p++;
    } else {
      p++;
    }
  } while (depth > 0 && *p);
  return p;
}

/* The value of a key of the object at p, or NULL. */
static inline const char *json_get(const char *p, const char *key) {
  size_t n = strlen(key);
  p = json_space(p);
  if (*p != '{') return NULL;
  for (p = json_space(p + 1); *p == '"'; p = json_space(p)) {
    const char *name = p + 1, *end = json_skip(p);
    const char *value = json_space(end);
    if (*value == ':') value = json_space(value + 1);
    if ((size_t)(end - name) == n + 1 && memcmp(name, key, n) == 0) return value;
    p = json_space(json_skip(value));
    if (*p == ',') p = json_space(p + 1);
  }
  return NULL;
}

/* Item i of the list at p, or NULL. */
static inline const char *json_item(const char *p, size_t i) {
  p = json_space(p);
  if (*p != '[') return NULL;
  for (p = json_space(p + 1); *p && *p != ']'; i--) {
    if (i == 0) return p;
    p = json_space(json_skip(p));
    if (*p == ',') p = json_space(p + 1);
  }
  return NULL;
}

/* A copy of the text at p without its quotes. An escape makes it NULL: names of columns have none. */
static inline char *json_text(const char *p) {
  const char *end;
  char *copy;
  if (!p || *p != '"') return NULL;
  end = json_skip(p);
  copy = malloc((size_t)(end - p));
  if (!copy) return NULL;
  memcpy(copy, p + 1, (size_t)(end - p) - 2);
  copy[end - p - 2] = 0;
  if (strchr(copy, '\\')) {
    free(copy);
    return NULL;
  }
  return copy;
}

static inline int json_is(const char *p, const char *word) {
  size_t n = strlen(word);
  return p && *p == '"' && strncmp(p + 1, word, n) == 0 && p[n + 1] == '"';
}
#endif
