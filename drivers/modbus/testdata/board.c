/* A board of 8 coils and 8 inputs at the end of a serial line, made with Debian's
   libmodbus, for interop_linux_test.go.

   board PATH BAUD ADDRESS

   On standard input: "coils" prints all coils, "input N LEVEL" puts input N at a
   level, "coil N LEVEL" a coil. It ends with its standard input. */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/select.h>

static void obey(modbus_mapping_t *map) {
    char line[100];
    int n, level;
    if (fgets(line, sizeof line, stdin) == NULL)
        exit(0);
    if (sscanf(line, "input %d %d", &n, &level) == 2)
        map->tab_input_bits[n - 1] = level;
    else if (sscanf(line, "coil %d %d", &n, &level) == 2)
        map->tab_bits[n - 1] = level;
    for (n = 0; n < map->nb_bits; n++)
        putchar(map->tab_bits[n] ? '1' : '0');
    putchar('\n');
}

int main(int argc, char **argv) {
    modbus_t *bus;
    modbus_mapping_t *map;
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];

    if (argc != 4)
        return 2;
    setvbuf(stdout, NULL, _IOLBF, 0);
    setvbuf(stdin, NULL, _IONBF, 0);
    bus = modbus_new_rtu(argv[1], atoi(argv[2]), 'N', 8, 1);
    map = modbus_mapping_new(8, 8, 0, 0);
    if (bus == NULL || map == NULL || modbus_set_slave(bus, atoi(argv[3])) < 0 || modbus_connect(bus) < 0) {
        fprintf(stderr, "%s\n", modbus_strerror(errno));
        return 1;
    }
    printf("ready libmodbus %s\n", LIBMODBUS_VERSION_STRING);
    for (;;) {
        fd_set ready;
        int line = modbus_get_socket(bus), length;
        FD_ZERO(&ready);
        FD_SET(0, &ready);
        FD_SET(line, &ready);
        if (select(line + 1, &ready, NULL, NULL, NULL) < 0)
            return 1;
        if (FD_ISSET(0, &ready))
            obey(map);
        if (FD_ISSET(line, &ready)) {
            length = modbus_receive(bus, query);
            if (length > 0)
                modbus_reply(bus, query, length, map);
        }
    }
}
