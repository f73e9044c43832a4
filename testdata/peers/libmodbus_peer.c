/* A Modbus server by libmodbus, for tests.

   usage: libmodbus_peer tcp | libmodbus_peer rtu DEVICE BAUD PARITY UNIT

   Standard input has one command a line; each is answered with "ok".
     UNIT TABLE ADDRESS VALUE...   puts values into coils, discretes, holdings or inputs
     serve                         begins to serve; once only; answered with the TCP port, 0 for RTU
   TCP listens on 127.0.0.1 and serves every unit that has a value; RTU serves
   UNIT. An address without a value earns exception 2, a unit without any
   exception 11. The end of standard input ends the program. */
#include <errno.h>
#include <modbus.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <unistd.h>

static modbus_mapping_t *map[256];
static unsigned char known[256][5][65536]; /* by function code */
static modbus_t *context;
static int listening = -1, top;
static fd_set watched;

static void die(const char *what) {
    perror(what);
    exit(1);
}

/* the function code that reads a table; 0 when there is no such table */
static int function_of(const char *table) {
    static const char *tables[] = {"", "coils", "discretes", "holdings", "inputs"};
    for (int f = 1; f <= 4; f++)
        if (!strcmp(table, tables[f])) return f;
    return 0;
}

static void put(int unit, int function, int address, int value) {
    if (unit < 0 || unit > 255 || address < 0 || address > 65535) return;
    if (!map[unit] && !(map[unit] = modbus_mapping_new(65536, 65536, 65536, 65536))) die("mapping");
    known[unit][function][address] = 1;
    switch (function) {
    case 1: map[unit]->tab_bits[address] = value; break;
    case 2: map[unit]->tab_input_bits[address] = value; break;
    case 3: map[unit]->tab_registers[address] = value; break;
    case 4: map[unit]->tab_input_registers[address] = value; break;
    }
}

static void answer(unsigned char *request, int length) {
    int header = modbus_get_header_length(context);
    int unit = request[header - 1], function = request[header];
    int address = request[header + 1] << 8 | request[header + 2];
    int count = request[header + 3] << 8 | request[header + 4];
    if (!map[unit]) {
        modbus_reply_exception(context, request, MODBUS_EXCEPTION_GATEWAY_TARGET);
        return;
    }
    if (function >= 1 && function <= 4)
        for (int i = address; i < address + count && i < 65536; i++)
            if (!known[unit][function][i]) {
                modbus_reply_exception(context, request, MODBUS_EXCEPTION_ILLEGAL_DATA_ADDRESS);
                return;
            }
    modbus_reply(context, request, length, map[unit]);
}

static void watch(int fd) {
    FD_SET(fd, &watched);
    if (fd > top) top = fd;
}

static int serve(char **argv) {
    if (!strcmp(argv[1], "rtu")) {
        context = modbus_new_rtu(argv[2], atoi(argv[3]), argv[4][0], 8, 1);
        if (!context || modbus_set_slave(context, atoi(argv[5])) || modbus_connect(context)) die("rtu");
        watch(modbus_get_socket(context));
        return 0;
    }
    struct sockaddr_in at;
    socklen_t size = sizeof at;
    context = modbus_new_tcp("127.0.0.1", 0);
    if (!context || (listening = modbus_tcp_listen(context, 16)) < 0) die("listen");
    if (getsockname(listening, (struct sockaddr *)&at, &size)) die("getsockname");
    watch(listening);
    return ntohs(at.sin_port);
}

static void command(char *line, char **argv) {
    if (!strcmp(line, "serve")) {
        printf("ok %d\n", serve(argv));
        return;
    }
    char *unit = strtok(line, " "), *table = strtok(NULL, " "), *address = strtok(NULL, " "), *value;
    int function = table ? function_of(table) : 0;
    if (!function || !address) {
        printf("not understood\n");
        return;
    }
    for (int i = atoi(address); (value = strtok(NULL, " ")); i++) put(atoi(unit), function, i, atoi(value));
    printf("ok\n");
}

/* takes what standard input has, which may be part of a line */
static void commands(char **argv) {
    static char held[1 << 16];
    static size_t n;
    ssize_t got = read(0, held + n, sizeof held - n - 1);
    if (got <= 0) exit(0);
    n += got;
    held[n] = 0;
    for (char *end; (end = strchr(held, '\n'));) {
        *end++ = 0;
        n -= end - held;
        command(held, argv);
        memmove(held, end, n + 1);
    }
}

int main(int argc, char **argv) {
    if (argc != 2 && argc != 6) return 2;
    setvbuf(stdout, NULL, _IOLBF, 0);
    watch(0);
    for (;;) {
        fd_set ready = watched;
        if (select(top + 1, &ready, NULL, NULL, NULL) < 0) continue;
        if (FD_ISSET(0, &ready)) commands(argv);
        for (int fd = 1; fd <= top; fd++) {
            unsigned char request[MODBUS_TCP_MAX_ADU_LENGTH];
            if (!FD_ISSET(fd, &ready)) continue;
            if (fd == listening) {
                int from = listening, s = modbus_tcp_accept(context, &from);
                if (s >= 0) watch(s);
                continue;
            }
            if (listening >= 0) modbus_set_socket(context, fd);
            int length = modbus_receive(context, request);
            if (length > 0) {
                answer(request, length);
            } else if (length < 0 && listening >= 0) {
                close(fd);
                FD_CLR(fd, &watched);
            } else if (length < 0 && errno == EIO) {
                exit(0);
            }
        }
    }
}
