/* One channel through liquid-dsp (MIT), in three arrangements of its parts.
 *
 * usage: liquid_peer METHOD INPUT OUTPUT RATE OFFSET PASS STOP DECIMATION STOPBAND_DB REPEATS
 * INPUT is cu8, OUTPUT complex float. Prints the fastest pass in seconds.
 *
 * METHOD is KIND/FIRST, where FIRST divides the decimation and is that of the first of two filters:
 *   firdecim/8   oscillator over blocks, then two firdecim_crcf
 *   dotprod/8    the mixer folded into the first filter's taps (dotprod_cccf over a contiguous buffer, one call for
 *                each output that is kept), the oscillator over blocks at the low rate, then dotprod_crcf likewise
 *   real/8       as before, the first filter as two dotprod_rrrf over the interleaved parts
 * Both filters are equiripple (firdespm).
 */
#include <complex.h>
#include <liquid/liquid.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

enum { CHUNK = 4096, LONGEST = 2048 };
static const double PI = 3.14159265358979323846;

static double now(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* Equiripple low-pass of unit gain; edges in cycles a sample. A ripple is that to one side. Gives the length. */
static unsigned design(double pass, double stop, double ripple_db, double stop_db, float *taps)
{
    double inside = pow(10.0, ripple_db / 20.0) - 1.0, outside = pow(10.0, -stop_db / 20.0);
    unsigned len = (unsigned)ceil((-10.0 * log10(inside * outside) - 13.0) / (14.6 * (stop - pass))) + 1;
    len = (len + 3) / 4 * 4; /* whole vectors */
    if (len > LONGEST) {
        fprintf(stderr, "filter of %u taps is too long\n", len);
        exit(2);
    }
    float bands[4] = {0.0f, (float)pass, (float)stop, 0.5f}, wanted[2] = {1.0f, 0.0f};
    float weights[2] = {1.0f, (float)(inside / outside)};
    liquid_firdespm_wtype flat[2] = {LIQUID_FIRDESPM_FLATWEIGHT, LIQUID_FIRDESPM_FLATWEIGHT};
    firdespm_run(len, 2, bands, wanted, weights, flat, LIQUID_FIRDESPM_BANDPASS, taps);
    return len;
}

static unsigned char *read_all(const char *path, size_t *samples)
{
    FILE *in = fopen(path, "rb");
    if (!in) {
        perror(path);
        exit(2);
    }
    fseek(in, 0, SEEK_END);
    *samples = (size_t)ftell(in) / 2;
    rewind(in);
    unsigned char *bytes = malloc(2 * *samples);
    if (fread(bytes, 2, *samples, in) != *samples) {
        perror(path);
        exit(2);
    }
    fclose(in);
    return bytes;
}

int main(int argc, char **argv)
{
    const char *slash = argc == 11 ? strchr(argv[1], '/') : NULL;
    unsigned first = slash ? (unsigned)atoi(slash + 1) : 0, decimation = first ? (unsigned)atoi(argv[8]) : 0;
    if (!first || decimation % first || CHUNK < decimation) {
        fprintf(stderr, "usage: liquid_peer METHOD/FIRST INPUT OUTPUT RATE OFFSET PASS STOP DECIMATION STOPBAND_DB "
                        "REPEATS\n");
        return 2;
    }
    char kind = argv[1][0];
    double rate = atof(argv[4]), offset = atof(argv[5]), pass = atof(argv[6]), stop = atof(argv[7]);
    double stopband_db = atof(argv[9]), low = rate / first;
    int repeats = atoi(argv[10]);
    unsigned rest = decimation / first;
    size_t samples;
    unsigned char *bytes = read_all(argv[2], &samples);

    static float h1[LONGEST], h2[LONGEST], real[2 * LONGEST], imaginary[2 * LONGEST];
    static float complex turned[LONGEST];
    unsigned n1 = design(pass / rate, (low - stop) / rate, 0.025, stopband_db + 4.0, h1);
    unsigned n2 = design(pass / low, stop / low, 0.022, stopband_db + 2.5, h2);
    for (unsigned i = 0; i < n1; i++) {
        turned[i] = h1[i] * (float complex)cexp(2.0 * PI * _Complex_I * fmod(offset / rate * i, 1.0));
        real[2 * i] = crealf(turned[i]);
        real[2 * i + 1] = -cimagf(turned[i]);
        imaginary[2 * i] = cimagf(turned[i]);
        imaginary[2 * i + 1] = crealf(turned[i]);
    }
    /* Both parts read forward; the filters are symmetric, and the mixer's turn grows with time. */
    for (unsigned i = 0; i < n1; i++) {
        turned[i] = conjf(turned[i]);
        real[2 * i + 1] = -real[2 * i + 1];
        imaginary[2 * i] = -imaginary[2 * i];
    }
    firdecim_crcf short_filter = firdecim_crcf_create(first, h1, n1), long_filter = firdecim_crcf_create(rest, h2, n2);
    dotprod_cccf complex_taps = dotprod_cccf_create(turned, n1);
    dotprod_rrrf real_taps = dotprod_rrrf_create(real, 2 * n1), imaginary_taps = dotprod_rrrf_create(imaginary, 2 * n1);
    dotprod_crcf long_taps = dotprod_crcf_create(h2, n2);
    nco_crcf mixer = nco_crcf_create(LIQUID_NCO);
    double turn = kind == 'f' ? offset / rate : offset / low;
    turn -= floor(turn + 0.5);

    static float x[2 * (LONGEST + CHUNK)];
    static float complex y[LONGEST + CHUNK], z[CHUNK];
    unsigned past1 = n1 - 1, past2 = n2 - 1;
    size_t chunk = CHUNK / decimation * decimation, outputs = samples / chunk * (chunk / decimation);
    float complex *out = malloc(outputs * sizeof *out);
    double best = 1e300;
    for (int r = 0; r < repeats; r++) {
        nco_crcf_reset(mixer);
        nco_crcf_set_frequency(mixer, (float)(2.0 * PI * turn));
        firdecim_crcf_reset(short_filter);
        firdecim_crcf_reset(long_filter);
        memset(x, 0, sizeof x);
        memset(y, 0, sizeof y);
        double start = now();
        size_t done = 0;
        for (size_t at = 0; at + chunk <= samples; at += chunk) {
            float *fresh = x + 2 * past1;
            for (size_t i = 0; i < 2 * chunk; i++)
                fresh[i] = (float)bytes[2 * at + i] * (1.0f / 127.5f) - 1.0f;
            float complex *in = (float complex *)x;
            unsigned middle = (unsigned)(chunk / first), kept = (unsigned)(chunk / decimation);
            if (kind == 'f') {
                nco_crcf_mix_block_down(mixer, (float complex *)fresh, y, (unsigned)chunk);
                firdecim_crcf_execute_block(short_filter, y, middle, z);
                firdecim_crcf_execute_block(long_filter, z, kept, out + done);
            } else {
                if (kind == 'd')
                    for (unsigned i = 0; i < middle; i++)
                        dotprod_cccf_execute(complex_taps, in + i * first, z + i);
                else
                    for (unsigned i = 0; i < middle; i++) {
                        float *to = (float *)(z + i);
                        dotprod_rrrf_execute(real_taps, x + 2 * i * first, to);
                        dotprod_rrrf_execute(imaginary_taps, x + 2 * i * first, to + 1);
                    }
                memmove(x, x + 2 * chunk, 2 * past1 * sizeof *x);
                nco_crcf_mix_block_down(mixer, z, y + past2, middle);
                for (unsigned i = 0; i < kept; i++)
                    dotprod_crcf_execute(long_taps, y + i * rest, out + done + i);
                memmove(y, y + middle, past2 * sizeof *y);
            }
            done += kept;
        }
        double took = now() - start;
        if (took < best)
            best = took;
    }
    FILE *result = fopen(argv[3], "wb");
    if (!result || fwrite(out, sizeof *out, outputs, result) != outputs) {
        perror(argv[3]);
        return 2;
    }
    fclose(result);
    fprintf(stderr, "%u and %u taps\n", n1, n2);
    printf("%.9f\n", best);
    return 0;
}
