/* A server on libmodbus for the tests: registers of the default gauge map, then of the default valve map at
 * 32. Usage: server tcp | server rtu DEVICE BAUD UNIT. Prints the port, or "ready", on one line.
 *
 * Floats are packed here by memcpy and shifts: modbus_set_float_abcd of libmodbus 3.1.6 as Debian ships it
 * stores them byte-swapped on little-endian machines. */
#include <arpa/inet.h>
#include <errno.h>
#include <modbus/modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static void put_float(uint16_t *words, float value) {
    uint32_t bits;
    memcpy(&bits, &value, sizeof bits);
    words[0] = bits >> 16;
    words[1] = bits & 0xFFFF;
}

static void put_text(uint16_t *words, const char *text) {
    for (size_t i = 0; i < strlen(text); i++)
        words[i / 2] |= (uint16_t)(text[i] << (i % 2 ? 0 : 8));
}

static void fill(uint16_t *words) {
    put_float(words, 1.0132f);
    put_float(words + 2, 3.14159265f);
    words[5] = 1;
    put_text(words + 6, "LM-0001");
    words[32 + 6] = 1;
    words[32 + 7] = 500;
    words[32 + 8] = 2000;
    put_text(words + 32 + 10, "LM-0002");
    put_float(words + 32 + 14, 3.14159265f);
}

static void answer(modbus_t *link, modbus_mapping_t *map) {
    uint8_t request[MODBUS_MAX_ADU_LENGTH];
    for (;;) {
        int length = modbus_receive(link, request);
        if (length > 0) {
            map->tab_registers[12]++;
            modbus_reply(link, request, length, map);
        } else if (length < 0 && errno != EMBBADCRC && errno != ETIMEDOUT) {
            return;
        }
    }
}

int main(int count, char **words) {
    modbus_mapping_t *map = modbus_mapping_new(0, 0, 64, 64);
    fill(map->tab_registers);
    fill(map->tab_input_registers);
    setvbuf(stdout, NULL, _IOLBF, 0);
    if (count == 5 && strcmp(words[1], "rtu") == 0) {
        modbus_t *link = modbus_new_rtu(words[2], atoi(words[3]), 'N', 8, 1);
        modbus_set_slave(link, atoi(words[4]));
        if (modbus_connect(link) < 0)
            return 1;
        puts("ready");
        for (;;)
            answer(link, map);
    }
    modbus_t *link = modbus_new_tcp("127.0.0.1", 0);
    int listener = modbus_tcp_listen(link, 1);
    struct sockaddr_in address;
    socklen_t size = sizeof address;
    if (listener < 0 || getsockname(listener, (struct sockaddr *)&address, &size) < 0)
        return 1;
    printf("%d\n", ntohs(address.sin_port));
    while (modbus_tcp_accept(link, &listener) >= 0) {
        answer(link, map);
        modbus_close(link);
    }
    return 0;
}
