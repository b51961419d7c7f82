/* Preloaded into a process under test: sets its time of day, and nothing else, off by the seconds
   that stand in the file STEPPED_CLOCK. The computer's own clock is left alone. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

int clock_gettime(clockid_t clock, struct timespec *result)
{
    static int (*real)(clockid_t, struct timespec *);
    if (!real)
        real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int status = real(clock, result);
    const char *name = getenv("STEPPED_CLOCK");
    if (status == 0 && clock == CLOCK_REALTIME && name) {
        FILE *file = fopen(name, "r");
        long offset = 0;
        if (file) {
            if (fscanf(file, "%ld", &offset) == 1)
                result->tv_sec += offset;
            fclose(file);
        }
    }
    return status;
}
