#include <eccodes.h>
#include <stddef.h>

/* A value that no packing yields: set as ecCodes' missingValue, so that it
 * cannot be mistaken for data as the default, 9999, can. */
#define RL_MISSING (-1.2345678901234567e300)

/* Beside the error codes of ecCodes, which lie between -100 and 0. */
#define RL_TOO_LARGE (-1000)

typedef struct {
    double *v;
    size_t capacity;
    int may_miss;
} rl_values;

int rl_grib_values(const void *message, size_t length, size_t ceiling, rl_values *out, size_t *n);
void rl_values_free(rl_values *values);
