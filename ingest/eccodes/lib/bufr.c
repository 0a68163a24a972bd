#include "lib.h"

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct rl_bufr {
    codes_handle *h;
    codes_bufr_keys_iterator *keys;
    long *expanded;
    double *values;
    size_t capacity;
    char **texts;
    size_t n_texts;
};

static void free_texts(rl_bufr *b)
{
    for (size_t i = 0; i < b->n_texts; i++)
        free(b->texts[i]);
    free(b->texts);
    b->texts = NULL;
    b->n_texts = 0;
}

rl_bufr *rl_bufr_open(const void *message, size_t length, int *rc)
{
    rl_bufr *b = calloc(1, sizeof *b);
    if (!b) {
        *rc = CODES_OUT_OF_MEMORY;
        return NULL;
    }
    *rc = CODES_INVALID_MESSAGE;
    /* A copy: the handle outlives this call, the memory of Go may move. */
    b->h = codes_handle_new_from_message_copy(NULL, message, length);
    if (b->h)
        *rc = codes_set_long(b->h, "unpack", 1);
    if (*rc == 0) {
        b->keys = codes_bufr_keys_iterator_new(b->h, 0);
        if (!b->keys)
            *rc = CODES_INTERNAL_ERROR;
    }
    if (*rc != 0) {
        rl_bufr_close(b);
        return NULL;
    }
    return b;
}

int rl_bufr_expanded(rl_bufr *b, const long **descriptors, size_t *n)
{
    int rc = codes_get_size(b->h, "expandedDescriptors", n);
    if (rc == 0 && *n > 0) {
        b->expanded = calloc(*n, sizeof *b->expanded);
        rc = b->expanded ? codes_get_long_array(b->h, "expandedDescriptors", b->expanded, n) : CODES_OUT_OF_MEMORY;
    }
    *descriptors = b->expanded;
    return rc;
}

int rl_bufr_shape(rl_bufr *b, long *compressed, long *subsets)
{
    int rc = codes_get_long(b->h, "compressedData", compressed);
    return rc ? rc : codes_get_long(b->h, "numberOfSubsets", subsets);
}

int rl_bufr_next(rl_bufr *b, rl_element *e)
{
    if (!codes_bufr_keys_iterator_next(b->keys))
        return 0;
    memset(e, 0, sizeof *e);
    e->name = codes_bufr_keys_iterator_get_name(b->keys);
    if (!e->name)
        return CODES_INTERNAL_ERROR;

    char attribute[512];
    if (snprintf(attribute, sizeof attribute, "%s->code", e->name) >= (int)sizeof attribute)
        return CODES_BUFFER_TOO_SMALL;
    if (codes_get_long(b->h, attribute, &e->code) != 0) {
        e->code = -1;
        return 1;
    }
    snprintf(attribute, sizeof attribute, "%s->units", e->name);
    size_t length = sizeof e->units;
    if (codes_get_string(b->h, attribute, e->units, &length) != 0)
        e->units[0] = 0;
    e->units[sizeof e->units - 1] = 0;

    int type = 0;
    int rc = codes_get_native_type(b->h, e->name, &type);
    if (rc == 0)
        rc = codes_get_size(b->h, e->name, &e->count);
    if (rc != 0)
        return rc;
    if (e->count == 0)
        return 1;
    size_t got = e->count;
    if (type == CODES_TYPE_STRING) {
        free_texts(b);
        e->is_text = 1;
        b->texts = calloc(e->count, sizeof *b->texts);
        if (!b->texts)
            return CODES_OUT_OF_MEMORY;
        b->n_texts = e->count;
        if (e->count == 1) {
            size_t n = 0;
            rc = codes_get_length(b->h, e->name, &n);
            if (rc != 0)
                return rc;
            b->texts[0] = calloc(n + 1, 1);
            if (!b->texts[0])
                return CODES_OUT_OF_MEMORY;
            rc = codes_get_string(b->h, e->name, b->texts[0], &n);
        } else {
            rc = codes_get_string_array(b->h, e->name, b->texts, &got);
        }
        e->texts = (const char *const *)b->texts;
    } else {
        if (e->count > b->capacity) {
            double *v = realloc(b->values, e->count * sizeof *v);
            if (!v)
                return CODES_OUT_OF_MEMORY;
            b->values = v;
            b->capacity = e->count;
        }
        rc = codes_get_double_array(b->h, e->name, b->values, &got);
        e->values = b->values;
    }
    if (rc != 0)
        return rc;
    return got == e->count ? 1 : CODES_DECODING_ERROR;
}

void rl_bufr_close(rl_bufr *b)
{
    if (b->keys)
        codes_bufr_keys_iterator_delete(b->keys);
    if (b->h)
        codes_handle_delete(b->h);
    free_texts(b);
    free(b->expanded);
    free(b->values);
    free(b);
}

void rl_default_signals(void)
{
    static const int fatal[] = {SIGABRT, SIGSEGV, SIGBUS, SIGFPE, SIGILL};
    for (size_t i = 0; i < sizeof fatal / sizeof fatal[0]; i++)
        signal(fatal[i], SIG_DFL);
}
