"""Arrays in, arrays out: FFT back end, filters, discriminators, clocks; knows no mode and no file."""
