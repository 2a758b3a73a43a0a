# What every target of the house is built with: the language, the warnings, the linker, and the
# libraries that others wrote (found here once, so that a missing package is named at configure time).

include_guard(GLOBAL)

# --- Language -------------------------------------------------------------------------------------------

set(CMAKE_CXX_STANDARD 23)
set(CMAKE_CXX_STANDARD_REQUIRED ON)
set(CMAKE_CXX_EXTENSIONS OFF)
set(CMAKE_EXPORT_COMPILE_COMMANDS ON)
set(CMAKE_RUNTIME_OUTPUT_DIRECTORY ${PROJECT_BINARY_DIR}/bin)

if(NOT CMAKE_BUILD_TYPE)
    set(CMAKE_BUILD_TYPE RelWithDebInfo CACHE STRING "how to build" FORCE)
endif()

# Assertions state what the programmer relies on; a broken one must stop the process with every output
# withheld. They therefore stay on in every build type: NDEBUG is never defined.
set(CMAKE_CXX_FLAGS_RELWITHDEBINFO "-O2 -g1")
set(CMAKE_CXX_FLAGS_RELEASE "-O2")
set(CMAKE_CXX_FLAGS_DEBUG "-O0 -g")
set(CMAKE_CXX_FLAGS_SANITIZE "-O1 -g1 -fno-omit-frame-pointer")
set(CMAKE_EXE_LINKER_FLAGS_SANITIZE "")

# --- Linker -----------------------------------------------------------------------------------------------

# Of the two in binutils the quicker one; the programs of the tests are large. It knows clang's sanitizers too little.
include(CheckLinkerFlag)
check_linker_flag(CXX -fuse-ld=gold TAUTGATE_HAS_GOLD)
if(TAUTGATE_HAS_GOLD AND CMAKE_CXX_COMPILER_ID STREQUAL "GNU")
    add_link_options(-fuse-ld=gold)
endif()

# --- Libraries from outside -------------------------------------------------------------------------------

find_package(Threads REQUIRED)
find_package(PkgConfig REQUIRED)
find_package(Boost 1.81 REQUIRED)
find_package(SQLiteCpp REQUIRED)
find_package(nlohmann_json 3.11 REQUIRED)
find_package(fmt 9 REQUIRED)
find_package(spdlog REQUIRED)
find_package(CLI11 REQUIRED)
pkg_check_modules(modbus REQUIRED IMPORTED_TARGET libmodbus)
pkg_check_modules(sodium REQUIRED IMPORTED_TARGET libsodium)
pkg_check_modules(systemd REQUIRED IMPORTED_TARGET libsystemd)
pkg_check_modules(re2 REQUIRED IMPORTED_TARGET re2)
pkg_check_modules(sqlite3 REQUIRED IMPORTED_TARGET sqlite3)
pkg_check_modules(crypto REQUIRED IMPORTED_TARGET libcrypto)
pkg_check_modules(zstd REQUIRED IMPORTED_TARGET libzstd)
if(TAUTGATE_TESTS)
    find_package(Catch2 2 REQUIRED)
    find_package(rapidcheck REQUIRED)
endif()

# --- Warnings ---------------------------------------------------------------------------------------------

# Headers of others come in as system headers (imported targets do by themselves), so that a warning is
# always about a line written here.
add_library(tautgate_warnings INTERFACE)
target_compile_options(tautgate_warnings INTERFACE
    -Wall -Wextra -Wpedantic -Wconversion -Wshadow -Wnon-virtual-dtor -Werror
    # g++ 12 takes `"text" + std::string` for an overlapping copy (GCC bug 105651).
    $<$<CXX_COMPILER_ID:GNU>:-Wno-restrict>
    # clang++ sees the names of sources that are compiled together as one another's, and knows more to be deprecated.
    $<$<CXX_COMPILER_ID:Clang>:-Wno-shadow;-Wno-deprecated-declarations>
    # A class that only its source knows may hold what else only this source knows; sources that are compiled
    # together look like headers there.
    $<$<AND:$<CXX_COMPILER_ID:GNU>,$<BOOL:${CMAKE_UNITY_BUILD}>>:-Wno-subobject-linkage>
    # A sanitizer's own branches confuse the warnings that follow the flow of values; the other builds give them.
    $<$<AND:$<CXX_COMPILER_ID:GNU>,$<CONFIG:Sanitize>>:-Wno-maybe-uninitialized;-Wno-array-bounds;-Wno-stringop-overflow>)

add_library(tautgate_build INTERFACE)
target_link_libraries(tautgate_build INTERFACE tautgate_warnings)
target_include_directories(tautgate_build INTERFACE ${PROJECT_SOURCE_DIR})
target_compile_definitions(tautgate_build INTERFACE _GLIBCXX_ASSERTIONS)
# -fpch-preprocess lets the compiler cache see a precompiled header in preprocessed text.
# -pthread everywhere: some libraries ask for it, and a precompiled header without it would not fit them.
target_compile_options(tautgate_build INTERFACE $<$<CXX_COMPILER_ID:GNU>:-fpch-preprocess> -pthread)
# g++ spends a tenth of its time on tidying up a memory of 128 MB; a target's joined sources take up to 1.5 GB anyway.
target_compile_options(tautgate_build INTERFACE $<$<CXX_COMPILER_ID:GNU>:--param=ggc-min-heapsize=700000>)
