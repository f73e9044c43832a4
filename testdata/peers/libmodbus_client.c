/* A Modbus client by libmodbus, for tests of the register server.

   usage: libmodbus_client HOST PORT

   It reads the first figure's registers and the first alarm's bits over one
   connection, by all four functions, then asks for what is not there and tries to
   write. */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>

static void told(const char *what, int n) {
    printf("%s %s\n", what, n < 0 ? modbus_strerror(errno) : "done");
}

int main(int argc, char **argv) {
    uint16_t words[4];
    uint8_t bits[4];
    modbus_t *m = argc == 3 ? modbus_new_tcp(argv[1], atoi(argv[2])) : NULL;

    if (!m || modbus_connect(m) < 0) {
        fprintf(stderr, "connect: %s\n", modbus_strerror(errno));
        return 1;
    }
    if (modbus_read_input_registers(m, 100, 4, words) == 4)
        printf("inputs %g %d %d\n", modbus_get_float_abcd(words), words[2], words[3]);
    if (modbus_read_registers(m, 100, 4, words) == 4)
        printf("holdings %g %d %d\n", modbus_get_float_abcd(words), words[2], words[3]);
    if (modbus_read_input_bits(m, 0, 4, bits) == 4)
        printf("discretes %d%d%d%d\n", bits[0], bits[1], bits[2], bits[3]);
    if (modbus_read_bits(m, 0, 4, bits) == 4)
        printf("coils %d%d%d%d\n", bits[0], bits[1], bits[2], bits[3]);
    told("outside", modbus_read_input_registers(m, 14, 1, words));
    told("write", modbus_write_register(m, 100, 1));
    told("write bits", modbus_write_bits(m, 0, 4, bits));
    modbus_close(m);
    modbus_free(m);
    return 0;
}
