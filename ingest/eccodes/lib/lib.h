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

/* One key of a BUFR message in the order of the data section. */
typedef struct {
    const char *name;  /* "#2#pressure", "#2#pressure->percentConfidence" */
    long code;         /* FXXYYY; -1 for keys that are no element */
    char units[64];
    int is_text;
    size_t count;      /* 1, or one value a subset in compressed messages */
    const double *values;
    const char *const *texts;
} rl_element;

typedef struct rl_bufr rl_bufr;

rl_bufr *rl_bufr_open(const void *message, size_t length, int *rc);
/* The expanded descriptors; the array belongs to b. */
int rl_bufr_expanded(rl_bufr *b, const long **descriptors, size_t *n);
/* Whether the data are compressed, and the number of subsets. */
int rl_bufr_shape(rl_bufr *b, long *compressed, long *subsets);
/* 1: *e is the next key; its arrays are valid until the next call. 0: no more.
 * Below 0: an error of ecCodes. */
int rl_bufr_next(rl_bufr *b, rl_element *e);
void rl_bufr_close(rl_bufr *b);

/* Lets a fatal signal end the process at once, without the handlers of Go. */
void rl_default_signals(void);
