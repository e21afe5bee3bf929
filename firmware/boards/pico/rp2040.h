/* The registers of the RP2040 that this port uses, after the chapters of its datasheet. */
#pragma once

#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(address))

/* Each register appears again at +0x2000 and +0x3000, where the ones of a written word are set or cleared
 * (2.1.2). */
#define SET_BITS(reg, bits) (REGISTER((uintptr_t)&(reg) + 0x2000u) = (bits))
#define CLEAR_BITS(reg, bits) (REGISTER((uintptr_t)&(reg) + 0x3000u) = (bits))

#define BIT(n) (1UL << (n))

/* Resets (2.14), power-on state machine (2.13), regulator and reset cause (2.10, 2.12) */
#define RESETS_RESET REGISTER(0x4000C000)
#define RESET_ADC BIT(0)
#define RESETS_DONE REGISTER(0x4000C008)
#define RESET_BUSCTRL BIT(1)
#define RESET_DMA BIT(2)
#define RESET_IO_BANK0 BIT(5)
#define RESET_PADS_BANK0 BIT(8)
#define RESET_PIO0 BIT(10)
#define RESET_PIO1 BIT(11)
#define RESET_PLL_SYS BIT(12)
#define RESET_PLL_USB BIT(13)
#define RESET_TIMER BIT(21)
#define RESET_USBCTRL BIT(24)
#define PSM_WDSEL REGISTER(0x40010008)
#define PSM_ALL_BUT_OSCILLATORS 0x1FFFCUL
#define VREG REGISTER(0x40064000)
#define VREG_1V15 (12UL << 4)
#define VREG_VOLTAGE (15UL << 4)
#define CHIP_RESET REGISTER(0x40064008)
#define CHIP_RESET_HAD_POWER BIT(8)
#define CHIP_RESET_HAD_PIN BIT(16)

/* Clocks (2.15), crystal (2.16), PLLs (2.18) */
#define CLK_REF_CTRL REGISTER(0x40008030)
#define CLK_REF_SELECTED REGISTER(0x40008038)
#define CLK_SYS_CTRL REGISTER(0x4000803C)
#define CLK_SYS_DIV REGISTER(0x40008040)
#define CLK_SYS_SELECTED REGISTER(0x40008044)
#define CLK_USB_CTRL REGISTER(0x40008054)
#define CLK_USB_DIV REGISTER(0x40008058)
#define CLK_ADC_CTRL REGISTER(0x40008060)
#define CLK_ADC_DIV REGISTER(0x40008064)
#define XOSC_CTRL REGISTER(0x40024000)
#define XOSC_STATUS REGISTER(0x40024004)
#define XOSC_STARTUP REGISTER(0x4002400C)
#define PLL_SYS 0x40028000UL
#define PLL_USB 0x4002C000UL
#define PLL_CS(pll) REGISTER((pll) + 0x0)
#define PLL_PWR(pll) REGISTER((pll) + 0x4)
#define PLL_FBDIV(pll) REGISTER((pll) + 0x8)
#define PLL_PRIM(pll) REGISTER((pll) + 0xC)

/* Pins (2.19) */
#define GPIO_CTRL(pin) REGISTER(0x40014004 + 8UL * (pin))
#define GPIO_FUNCTION_SIO 5
#define GPIO_FUNCTION_PIO0 6
#define PAD(pin) REGISTER(0x4001C004 + 4UL * (pin))
#define PAD_INPUT BIT(6)
#define PAD_PULL_UP BIT(3)
#define PAD_SCHMITT BIT(1)
#define PAD_OUTPUT_OFF BIT(7)
#define SIO_GPIO_IN REGISTER(0xD0000004)
#define SIO_GPIO_OUT_SET REGISTER(0xD0000014)
#define SIO_GPIO_OUT_CLR REGISTER(0xD0000018)
#define SIO_GPIO_OE_SET REGISTER(0xD0000024)

/* PIO (3.7) */
#define PIO0 0x50200000UL
#define PIO1 0x50300000UL
#define PIO_CTRL(pio) REGISTER((pio) + 0x00)
#define PIO_CTRL_ENABLE(sm) BIT(sm)
#define PIO_CTRL_RESTART(sm) BIT(4 + (sm))
#define PIO_FLEVEL(pio) REGISTER((pio) + 0x0C)
#define PIO_TXF(pio, sm) REGISTER((pio) + 0x10 + 4UL * (sm))
#define PIO_RXF(pio, sm) REGISTER((pio) + 0x20 + 4UL * (sm))
#define PIO_PADOUT(pio) REGISTER((pio) + 0x3C)
#define PIO_MEMORY(pio, n) REGISTER((pio) + 0x48 + 4UL * (n))
#define PIO_CLKDIV(pio, sm) REGISTER((pio) + 0xC8 + 0x18UL * (sm))
#define PIO_EXECCTRL(pio, sm) REGISTER((pio) + 0xCC + 0x18UL * (sm))
#define PIO_SHIFTCTRL(pio, sm) REGISTER((pio) + 0xD0 + 0x18UL * (sm))
#define PIO_INSTR(pio, sm) REGISTER((pio) + 0xD8 + 0x18UL * (sm))
#define PIO_PINCTRL(pio, sm) REGISTER((pio) + 0xDC + 0x18UL * (sm))
#define PIO_WRAP(bottom, top) ((uint32_t)(bottom) << 7 | (uint32_t)(top) << 12)
#define PIO_OUT_RIGHT BIT(19)
#define PIO_JOIN_RX BIT(31)

/* DMA (2.5) */
#define DMA_READ(ch) REGISTER(0x50000000 + 0x40UL * (ch))
#define DMA_WRITE(ch) REGISTER(0x50000004 + 0x40UL * (ch))
#define DMA_COUNT(ch) REGISTER(0x50000008 + 0x40UL * (ch))
#define DMA_CTRL_START(ch) REGISTER(0x5000000C + 0x40UL * (ch))
#define DMA_CTRL(ch) REGISTER(0x50000010 + 0x40UL * (ch))
#define DMA_READ_START(ch) REGISTER(0x5000003C + 0x40UL * (ch))
#define DMA_ABORT REGISTER(0x50000444)
#define DMA_ENABLE BIT(0)
#define DMA_FIRST BIT(1) /* before channels without it */
#define DMA_WORDS (2UL << 2)
#define DMA_STEP_READ BIT(4)
#define DMA_STEP_WRITE BIT(5)
#define DMA_RING_WRITE(log2) ((uint32_t)(log2) << 6 | BIT(10))
#define DMA_THEN(ch) ((uint32_t)(ch) << 11)
#define DMA_PACE(request) ((uint32_t)(request) << 15)
#define DMA_QUIET BIT(21)
#define DMA_BUSY BIT(24)
#define REQUEST_TX(pio, sm) ((pio) * 8u + (sm))
#define REQUEST_RX(pio, sm) ((pio) * 8u + 4u + (sm))
#define REQUEST_ADC 36u
#define REQUEST_ALWAYS 0x3Fu
#define BUS_PRIORITY REGISTER(0x40030000)
#define BUS_PRIORITY_DMA (BIT(8) | BIT(12))

/* Analog inputs (4.9) */
#define ADC_CS REGISTER(0x4004C000)
#define ADC_ENABLE BIT(0)
#define ADC_START_MANY BIT(3)
#define ADC_READY BIT(8)
#define ADC_ROUND_ROBIN(inputs) ((uint32_t)(inputs) << 16)
#define ADC_FCS REGISTER(0x4004C008)
#define ADC_FIFO_ENABLE BIT(0)
#define ADC_FIFO_REQUESTS BIT(3) /* of the DMA */
#define ADC_FIFO_OVER BIT(11)
#define ADC_FIFO_FROM(count) ((uint32_t)(count) << 24)
#define ADC_FIFO REGISTER(0x4004C00C)
#define ADC_DIV REGISTER(0x4004C010)

/* Timer (4.6), watchdog (4.7) */
#define TIMER_ALARM0 REGISTER(0x40054010)
#define TIMER_ALARM1 REGISTER(0x40054014)
#define TIMER_RAW_HIGH REGISTER(0x40054024)
#define TIMER_RAW_LOW REGISTER(0x40054028)
#define TIMER_INTR REGISTER(0x40054034)
#define TIMER_INTE REGISTER(0x40054038)
#define WATCHDOG_CTRL REGISTER(0x40058000)
#define WATCHDOG_LOAD REGISTER(0x40058004)
#define WATCHDOG_REASON REGISTER(0x40058008)
#define WATCHDOG_SCRATCH0 REGISTER(0x4005800C)
#define WATCHDOG_TICK REGISTER(0x4005802C)
#define WATCHDOG_TRIGGER BIT(31)
#define WATCHDOG_ENABLE BIT(30)

/* USB device (4.1) */
#define USB_MEMORY 0x50100000UL
#define USB_ADDRESS REGISTER(0x50110000)
#define USB_MAIN_CTRL REGISTER(0x50110040)
#define USB_SOF_READ REGISTER(0x50110048)
#define USB_SIE_CTRL REGISTER(0x5011004C)
#define USB_SIE_STATUS REGISTER(0x50110050)
#define USB_BUFF_STATUS REGISTER(0x50110058)
#define USB_EP_ABORT REGISTER(0x50110060)
#define USB_EP_ABORT_DONE REGISTER(0x50110064)
#define USB_STALL_ARM REGISTER(0x50110068)
#define USB_MUXING REGISTER(0x50110074)
#define USB_PWR REGISTER(0x50110078)
#define USB_INTE REGISTER(0x50110090)
#define USB_INTS REGISTER(0x50110098)
#define USB_EP_CONTROL(n, in) REGISTER(USB_MEMORY + 8UL * (n) + ((in) ? 0 : 4))
#define USB_BUFFER_CONTROL(n, in) REGISTER(USB_MEMORY + 0x80 + 8UL * (n) + ((in) ? 0 : 4))
#define USB_SIE_STATUS_RESET BIT(19)
#define USB_SIE_STATUS_SETUP BIT(17)
#define USB_INT_RESET BIT(12)
#define USB_INT_BUFFERS BIT(4)
#define USB_INT_SETUP BIT(16)
#define USB_INT_FRAME BIT(17) /* a frame started; ends when USB_SOF_READ is read */
#define USB_BUFFER_FULL BIT(15)
#define USB_BUFFER_DATA1 BIT(13)
#define USB_BUFFER_STALL BIT(11)
#define USB_BUFFER_READY BIT(10)
#define USB_BUFFER_LENGTH 0x3FFUL

/* Flash interface (4.10) */
#define SSI_STATUS REGISTER(0x18000028)
#define SSI_DATA REGISTER(0x18000060)
#define SSI_STATUS_TX_ROOM BIT(1)
#define SSI_STATUS_RX_DATA BIT(3)
#define QSPI_SELECT_CTRL REGISTER(0x4001800C)
#define QSPI_SELECT_LOW (2UL << 8)
#define QSPI_SELECT_HIGH (3UL << 8)
#define FLASH_CACHED 0x10000000UL
#define FLASH_UNCACHED 0x13000000UL

/* Cortex-M0+ */
#define NVIC_ENABLE REGISTER(0xE000E100)
#define NVIC_DISABLE REGISTER(0xE000E180)
#define NVIC_CLEAR_PENDING REGISTER(0xE000E280)
#define NVIC_PRIORITY(irq) REGISTER(0xE000E400 + (irq) / 4 * 4)
#define NVIC_LOWER(irq) (0x40UL << 8 * ((irq) % 4)) /* than those that have 0 */
#define VECTOR_TABLE REGISTER(0xE000ED08)
#define IRQ_TIMER0 0
#define IRQ_TIMER1 1
#define IRQ_USB 5
