/* A level map in plain C, with the same recurrence as the engine's: the phasor
   of each source at each point is turned by one complex factor from frequency
   to frequency. It goes row by row with the points innermost, which the
   compiler turns into vector instructions; point by point it is slower.

       gcc -O3 -march=native -o map map.c -lm
       map INPUT OUTPUT ROUNDS

   Input, output and what is printed are those of map.py. */
#define _GNU_SOURCE
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static double c, minx, maxx, miny, maxy, height, first, step;
static int nx, ny, sources, lines;
static double *source; /* x y z amplitude delay of each */

static void compute(double *re, double *im, double *wr, double *wi, double *zr, double *zi)
{
	size_t n = (size_t)nx * ny;
	memset(re, 0, n * lines * sizeof *re);
	memset(im, 0, n * lines * sizeof *im);
	for (int iy = 0; iy < ny; iy++) {
		double y = miny + (maxy - miny) * iy / (ny - 1);
		for (int s = 0; s < sources; s++) {
			const double *v = source + 5 * s;
			for (int ix = 0; ix < nx; ix++) {
				double dx = minx + (maxx - minx) * ix / (nx - 1) - v[0], dy = y - v[1], dz = height - v[2];
				double r = sqrt(dx * dx + dy * dy + dz * dz);
				if (r < 0.1)
					r = 0.1;
				double t = v[4] + r / c, a = v[3] / r;
				sincos(-2 * M_PI * first * t, &wi[ix], &wr[ix]);
				sincos(-2 * M_PI * step * t, &zi[ix], &zr[ix]);
				wr[ix] *= a;
				wi[ix] *= a;
			}
			for (int f = 0; f < lines; f++) {
				double *restrict pr = re + f * n + (size_t)iy * nx, *restrict pi = im + f * n + (size_t)iy * nx;
				for (int ix = 0; ix < nx; ix++) {
					pr[ix] += wr[ix];
					pi[ix] += wi[ix];
					double turned = wr[ix] * zr[ix] - wi[ix] * zi[ix];
					wi[ix] = wr[ix] * zi[ix] + wi[ix] * zr[ix];
					wr[ix] = turned;
				}
			}
		}
	}
}

static double now(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return t.tv_sec * 1e9 + t.tv_nsec;
}

int main(int argc, char **argv)
{
	FILE *in = argc == 4 ? fopen(argv[1], "r") : NULL;
	if (!in || fscanf(in, "%lf %d %d %d %d %lf %lf %lf %lf %lf %lf %lf", &c, &nx, &ny, &sources, &lines,
			&minx, &maxx, &miny, &maxy, &height, &first, &step) != 12)
		return 1;
	source = malloc(5 * sources * sizeof *source);
	for (int i = 0; i < 5 * sources; i++)
		if (fscanf(in, "%lf", source + i) != 1)
			return 1;
	size_t n = (size_t)nx * ny * lines;
	double *re = malloc(n * sizeof *re), *im = malloc(n * sizeof *im), *row = malloc(4 * nx * sizeof *row);
	double best = INFINITY;
	for (int round = atoi(argv[3]); round > 0; round--) {
		double start = now();
		compute(re, im, row, row + nx, row + 2 * nx, row + 3 * nx);
		best = fmin(best, now() - start);
	}
	FILE *out = fopen(argv[2], "wb");
	if (!out)
		return 1;
	for (size_t i = 0; i < n; i++) {
		double pair[2] = {re[i], im[i]};
		if (fwrite(pair, sizeof pair, 1, out) != 1)
			return 1;
	}
	if (fclose(out))
		return 1;
	printf("%.0f\n", best);
	return 0;
}
