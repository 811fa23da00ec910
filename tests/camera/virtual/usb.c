/* A USB bus with one camera on it, for tests without one: preloaded before libusb, so that libgphoto2's own USB code
 * runs. The file that VIRTUAL_USB names says how the camera is:
 *
 *   connected PORT NUMBER  its transfers go to this TCP port on loopback; NUMBER is its device number
 *   absent                 nothing is connected
 *   forbidden              the node may not be opened by this user
 *   held                   another program has claimed the camera
 *   crash                  claiming it frees memory twice in the driver's thread
 *   gone                   it was claimed, and then unplugged
 *
 * Types and values are those of libusb 1.0's ABI (libusb.h). */
#include <arpa/inet.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum { ERROR_ACCESS = -3, ERROR_NO_DEVICE = -4, ERROR_BUSY = -6, ERROR_TIMEOUT = -7 };

struct endpoint {
  uint8_t length, type, address, attributes;
  uint16_t max_packet;
  uint8_t interval, refresh, synch;
  const uint8_t *extra;
  int extra_length;
};
struct interface_descriptor {
  uint8_t length, type, number, alternate, endpoints, class, subclass, protocol, name;
  const struct endpoint *endpoint;
  const uint8_t *extra;
  int extra_length;
};
struct interface {
  const struct interface_descriptor *alternates;
  int count;
};
struct config {
  uint8_t length, type;
  uint16_t total;
  uint8_t interfaces, value, name, attributes, power;
  const struct interface *interface;
  const uint8_t *extra;
  int extra_length;
};
struct device {
  uint8_t length, type;
  uint16_t usb;
  uint8_t class, subclass, protocol, packet;
  uint16_t vendor, product, version;
  uint8_t maker_name, product_name, serial, configs;
};

/* Still image class 6, subclass 1, PTP 1 (USB-IF); vendor and product belong to nobody. Bulk in and out; no
 * interrupt endpoint, because both vendor extensions are asked for their events. */
static const struct endpoint endpoints[] = {{7, 5, 0x81, 2, 512, 0, 0, 0, NULL, 0},
                                            {7, 5, 0x02, 2, 512, 0, 0, 0, NULL, 0}};
static const struct interface_descriptor alternate = {9, 4, 0, 0, 2, 6, 1, 1, 0, endpoints, NULL, 0};
static const struct interface interface = {&alternate, 1};
static struct config configuration = {9, 2, 32, 1, 1, 0, 0x80, 250, &interface, NULL, 0};
static const struct device camera = {18, 1, 0x200, 0, 0, 0, 64, 0xfff0, 0x0001, 0x100, 0, 0, 0, 1};

static int tcp_port, number;

static int is(const char *state) {
  char now[32] = "";
  FILE *file = fopen(getenv("VIRTUAL_USB"), "r");
  if (file) {
    if (fscanf(file, "%31s %d %d", now, &tcp_port, &number) < 1) now[0] = 0;
    fclose(file);
  }
  return strcmp(now, state) == 0;
}

int libusb_init(void **context) {
  *context = (void *)&camera;
  return 0;
}
void libusb_exit(void *context) { (void)context; }
long libusb_get_device_list(void *context, void ***list) {
  (void)context;
  *list = calloc(2, sizeof(void *));
  if (is("absent")) return 0;
  (*list)[0] = (void *)&camera;
  return 1;
}
void libusb_free_device_list(void **list, int unref) {
  (void)unref;
  free(list);
}
int libusb_get_device_descriptor(void *device, struct device *into) {
  (void)device;
  *into = camera;
  return 0;
}
int libusb_get_config_descriptor(void *device, uint8_t index, struct config **into) {
  (void)device, (void)index;
  *into = &configuration;
  return 0;
}
void libusb_free_config_descriptor(struct config *config) { (void)config; }
uint8_t libusb_get_bus_number(void *device) { return (void)device, 1; }
uint8_t libusb_get_device_address(void *device) { return (void)device, is("connected") ? number : 4; }
int libusb_open(void *device, void **handle) {
  *handle = device;
  return is("forbidden") ? ERROR_ACCESS : is("absent") || is("gone") ? ERROR_NO_DEVICE : 0;
}
void libusb_close(void *handle) { (void)handle; }
int libusb_kernel_driver_active(void *handle, int number) { return (void)handle, (void)number, 0; }
static int line = -1; /* the connection that stands for the cable */
static uint32_t left; /* of the container being read */

int libusb_claim_interface(void *handle, int number) {
  (void)handle, (void)number;
  if (is("crash")) {
    char *block = malloc(64);
    free(block);
    free(block);
    abort(); /* where the allocator let that pass */
  }
  if (is("connected")) {
    struct sockaddr_in place = {.sin_family = AF_INET, .sin_port = htons(tcp_port)};
    place.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    line = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    left = 0;
    return connect(line, (void *)&place, sizeof place) < 0 ? ERROR_NO_DEVICE : 0;
  }
  return is("held") ? ERROR_BUSY : 0;
}
int libusb_release_interface(void *handle, int number) {
  (void)handle, (void)number;
  close(line);
  line = -1;
  return 0;
}

static int receive(void *into, int size, int timeout_ms) {
  struct pollfd readable = {line, POLLIN, 0};
  for (int got = 0, now; got < size; got += now) {
    if (poll(&readable, 1, timeout_ms ? timeout_ms : -1) == 0) return ERROR_TIMEOUT;
    now = recv(line, (char *)into + got, size - got, 0);
    if (now <= 0) return ERROR_NO_DEVICE;
  }
  return 0;
}

/* A transfer in ends with its container, which begins with its length (PTP over USB, ISO 15740 annex D). */
int libusb_bulk_transfer(void *handle, uint8_t endpoint, uint8_t *data, int size, int *done, unsigned timeout_ms) {
  (void)handle;
  *done = 0;
  if (!(endpoint & 0x80)) {
    if (send(line, data, size, MSG_NOSIGNAL) != size) return ERROR_NO_DEVICE;
    *done = size;
    return 0;
  }
  int begun = 0;
  if (left == 0) {
    int result = receive(data, 4, timeout_ms);
    if (result < 0) return result;
    memcpy(&left, data, 4); /* both little-endian */
    begun = 4;
  }
  *done = left < (uint32_t)size ? (int)left : size;
  left -= *done;
  return receive(data + begun, *done - begun, timeout_ms);
}
void *libusb_alloc_transfer(int packets) { return (void)packets, calloc(1, 256); }
void libusb_free_transfer(void *transfer) { free(transfer); }

int libusb_handle_events_timeout(void *context, void *time) { return (void)context, (void)time, 0; }
int libusb_clear_halt(void *handle, uint8_t endpoint) { return (void)handle, (void)endpoint, 0; }
int libusb_set_configuration(void *handle, int value) { return (void)handle, (void)value, 0; }
int libusb_set_interface_alt_setting(void *handle, int number, int value) {
  return (void)handle, (void)number, (void)value, 0;
}
int libusb_get_max_packet_size(void *device, uint8_t endpoint) { return (void)device, (void)endpoint, 512; }

/* Nothing else works: the camera is gone. */
#define GONE(name) \
  int name(void) { return ERROR_NO_DEVICE; }
GONE(libusb_attach_kernel_driver)
GONE(libusb_cancel_transfer)
GONE(libusb_control_transfer)
GONE(libusb_detach_kernel_driver)
GONE(libusb_handle_events)
GONE(libusb_reset_device)
GONE(libusb_submit_transfer)
