/* See BLEDevice.h. */
#pragma once
#include "BLEDevice.h"
