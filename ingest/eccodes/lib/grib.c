#include "lib.h"

#include <stdlib.h>

/* The whole of one message inside one call: the handle points into the
 * message, and C may not keep memory of Go longer than a call. */
int rl_grib_values(const void *message, size_t length, size_t ceiling, rl_values *out, size_t *n)
{
    codes_handle *h = codes_handle_new_from_message(NULL, message, length);
    if (!h)
        return CODES_INVALID_MESSAGE;

    /* The length that codes_get_double_array gives back is not to be trusted
     * for templates 5.2 and 5.3: it is left as passed in. */
    int rc = codes_get_size(h, "values", n);
    if (rc == 0 && *n > ceiling)
        rc = RL_TOO_LARGE;
    if (rc == 0 && *n > out->capacity) {
        double *v = realloc(out->v, *n * sizeof *v);
        if (v) {
            out->v = v;
            out->capacity = *n;
        } else {
            rc = CODES_OUT_OF_MEMORY;
        }
    }
    long bitmap = 0, management = 0;
    if (rc == 0 && *n > 0) {
        codes_get_long(h, "bitmapPresent", &bitmap);
        if (codes_get_long(h, "missingValueManagementUsed", &management) != 0)
            management = 0;
        if (bitmap || management)
            rc = codes_set_double(h, "missingValue", RL_MISSING);
    }
    out->may_miss = bitmap || management;
    if (rc == 0 && *n > 0) {
        size_t got = *n;
        rc = codes_get_double_array(h, "values", out->v, &got);
        if (rc == 0 && got != *n)
            rc = CODES_DECODING_ERROR;
    }
    codes_handle_delete(h);
    return rc;
}

void rl_values_free(rl_values *values)
{
    free(values->v);
    values->v = NULL;
    values->capacity = 0;
}
