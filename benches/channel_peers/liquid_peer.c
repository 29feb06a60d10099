/* One channel through liquid-dsp (MIT): numerically controlled oscillator, then a
 * multi-stage half-band decimator to a low rate, then a FIR decimator.
 *
 * usage: liquid_peer INPUT OUTPUT RATE OFFSET PASS STOP DECIMATION STOPBAND_DB REPEATS
 * INPUT is cu8, OUTPUT complex float. Prints the fastest pass in seconds.
 * The decimation must be 2^k times a rest; the rest is the last stage's.
 */
#include <complex.h>
#include <liquid/liquid.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static double now(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

int main(int argc, char **argv)
{
    if (argc != 10) {
        fprintf(stderr, "usage: liquid_peer INPUT OUTPUT RATE OFFSET PASS STOP DECIMATION STOPBAND_DB REPEATS\n");
        return 2;
    }
    double rate = atof(argv[3]), offset = atof(argv[4]), pass = atof(argv[5]), stop = atof(argv[6]);
    unsigned decimation = (unsigned)atoi(argv[7]);
    float stopband_db = (float)atof(argv[8]);
    int repeats = atoi(argv[9]);

    FILE *in = fopen(argv[1], "rb");
    if (!in) {
        perror(argv[1]);
        return 2;
    }
    fseek(in, 0, SEEK_END);
    size_t samples = (size_t)ftell(in) / 2;
    rewind(in);
    unsigned char *bytes = malloc(2 * samples);
    if (fread(bytes, 2, samples, in) != samples) {
        perror(argv[1]);
        return 2;
    }
    fclose(in);

    unsigned halvings = 0, rest = decimation;
    while (rest % 2 == 0 && rest > 3) {
        rest /= 2;
        halvings++;
    }
    unsigned first = 1u << halvings;
    double low_rate = rate / first;
    /* Pass band of the half-band chain: it must be flat to the pass edge and keep aliases off the stop edge. */
    msresamp2_crcf halver =
        msresamp2_crcf_create(LIQUID_RESAMP_DECIM, halvings, (float)(stop / low_rate), 0.0f, stopband_db + 8.0f);
    float transition = (float)((stop - pass) / low_rate);
    unsigned len = estimate_req_filter_len(transition, stopband_db + 6.0f) | 1u;
    float *taps = malloc(len * sizeof *taps);
    liquid_firdes_kaiser(len, (float)((pass + stop) / 2.0 / low_rate), stopband_db + 6.0f, 0.0f, taps);
    float sum = 0.0f;
    for (unsigned i = 0; i < len; i++)
        sum += taps[i];
    for (unsigned i = 0; i < len; i++)
        taps[i] /= sum;
    firdecim_crcf decimator = firdecim_crcf_create(rest, taps, len);
    nco_crcf mixer = nco_crcf_create(LIQUID_NCO);

    enum { CHUNK = 4096 };
    float complex x[CHUNK], y[CHUNK], z[CHUNK];
    size_t group = (size_t)first * rest, chunk = CHUNK / group * group, outputs = samples / chunk * (chunk / group);
    float complex *out = malloc(outputs * sizeof *out);
    double best = 1e300;
    for (int r = 0; r < repeats; r++) {
        nco_crcf_reset(mixer);
        nco_crcf_set_frequency(mixer, (float)(2.0 * 3.14159265358979323846 * offset / rate));
        msresamp2_crcf_reset(halver);
        firdecim_crcf_reset(decimator);
        double start = now();
        size_t done = 0;
        for (size_t at = 0; at + chunk <= samples; at += chunk) {
            for (size_t i = 0; i < chunk; i++)
                x[i] = ((float)bytes[2 * (at + i)] - 127.5f) / 127.5f +
                       ((float)bytes[2 * (at + i) + 1] - 127.5f) / 127.5f * _Complex_I;
            nco_crcf_mix_block_down(mixer, x, y, (unsigned)chunk);
            for (size_t i = 0; i < chunk / first; i++)
                msresamp2_crcf_execute(halver, y + i * first, z + i);
            firdecim_crcf_execute_block(decimator, z, (unsigned)(chunk / group), out + done);
            done += chunk / group;
        }
        double took = now() - start;
        if (took < best)
            best = took;
    }
    FILE *result = fopen(argv[2], "wb");
    if (!result || fwrite(out, sizeof *out, outputs, result) != outputs) {
        perror(argv[2]);
        return 2;
    }
    fclose(result);
    printf("%.9f\n", best);
    return 0;
}
