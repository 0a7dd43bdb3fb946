/* How much a target has been given: noted in the file that RINGLET_FUZZ_COUNT names; the process ends after
 * RINGLET_FUZZ_BYTES bytes, 0 for never. */
#ifndef FUZZ_COUNT_H
#define FUZZ_COUNT_H

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>

static void fuzz_count(size_t size)
{
    static unsigned long long executions, bytes, most;
    const char *path = getenv("RINGLET_FUZZ_COUNT");
    if (executions == 0u && getenv("RINGLET_FUZZ_BYTES") != NULL) {
        most = strtoull(getenv("RINGLET_FUZZ_BYTES"), NULL, 10);
    }
    executions++;
    bytes += size;
    if (path != NULL && (executions % 1024u == 0u || (most != 0u && bytes >= most))) {
        FILE *file = fopen(path, "w");
        if (file != NULL) {
            fprintf(file, "%llu %llu %f", executions, bytes, (double)clock() / CLOCKS_PER_SEC);
            fclose(file);
        }
    }
    if (most != 0u && bytes >= most) {
        fflush(NULL);
        _exit(0);
    }
}

#endif
