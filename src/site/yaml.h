/* SPDX-License-Identifier: MIT
 * Reading YAML with a libcyaml schema so that every complaint is one line with file, line, field and allowed values.
 *
 * A schema reads each single value as text (char *): the functions below turn it into numbers, words and texts, check
 * the range, and leave the target (the default) alone where the field is missing. After the first complaint they all do
 * nothing, so a reader calls them in a row and looks at y->status once. */
#ifndef LTP_SITE_YAML_H
#define LTP_SITE_YAML_H

#include <lanetune/base.h>

#include <cyaml/cyaml.h>

enum { LTP_YAML_MAX_BYTES = 1 << 20 };

typedef struct {
    const char *path; /* for messages */
    char *text;
    size_t bytes;
    const cyaml_schema_value_t *schema;
    void *raw; /* what the schema describes; NULL when the document is empty */
    lt_status status;
    lt_error *err;
} ltp_yaml;

/** Read a file. empty_is_error: a file without any field is refused. Close it in every case. */
LT_NODISCARD lt_status ltp_yaml_open(ltp_yaml *y, const char *path, const cyaml_schema_value_t *schema,
                                     bool empty_is_error, lt_error *err);
void ltp_yaml_close(ltp_yaml *y);

/** Complain about the value `leaf` (as it stands in raw); where the field is missing (NULL), about `field`. */
lt_status ltp_yaml_fail(ltp_yaml *y, const char *leaf, const char *field, const char *format, ...) LT_PRINTF(4, 5);

/** True for a value that is left empty, null or ~. */
bool ltp_yaml_is_null(const char *leaf);
void ltp_yaml_number(ltp_yaml *y, const char *leaf, double lowest, double highest, double *value);
/** null becomes `null_value`. */
void ltp_yaml_number_or_null(ltp_yaml *y, const char *leaf, double lowest, double highest, double null_value,
                             double *value);
void ltp_yaml_count(ltp_yaml *y, const char *leaf, unsigned lowest, unsigned highest, unsigned *value);
void ltp_yaml_flag(ltp_yaml *y, const char *leaf, bool *value);
/** null becomes "". A longer text than size - 1 bytes is refused. */
void ltp_yaml_text(ltp_yaml *y, const char *leaf, char *value, size_t size);
/** One of `count` words; *value is its number. */
void ltp_yaml_choice(ltp_yaml *y, const char *leaf, const char *const *words, size_t count, unsigned *value);

/* ---- schema shorthand: every field is optional, single values are texts ---- */

#define LTP_LEAF(structure, member)                                                                                    \
    CYAML_FIELD_STRING_PTR(#member, CYAML_FLAG_POINTER | CYAML_FLAG_OPTIONAL, structure, member, 0, CYAML_UNLIMITED)
#define LTP_GROUP(structure, member, fields)                                                                           \
    CYAML_FIELD_MAPPING_PTR(#member, CYAML_FLAG_POINTER_NULL_STR | CYAML_FLAG_OPTIONAL, structure, member, fields)
#define LTP_LIST(structure, member, entry, max)                                                                        \
    CYAML_FIELD_SEQUENCE(#member, CYAML_FLAG_POINTER_NULL_STR | CYAML_FLAG_OPTIONAL, structure, member, entry, 0, max)
extern const cyaml_schema_value_t ltp_yaml_leaf;

/* ---- words ---- */

/** The nearest of `count` words by edit distance, or NULL if none is similar. */
const char *ltp_nearest_word(const char *word, const char *const *words, size_t count);

#endif
