# How a folder becomes a target. Each folder's CMakeLists.txt uses these and nothing else:
#
#   tautgate_library(NAME tautgate_protocol
#       SOURCES reading.cpp ...           sources of this folder (none: a library of headers only)
#       DEPENDS tautgate_config ...       folders of the house that our headers or sources include
#       PUBLIC_LIBS fmt::fmt ...          others' libraries that appear in our headers
#       PRIVATE_LIBS PkgConfig::modbus ...)  others' libraries that only our sources include
#
#   tautgate_program(NAME tautgated SOURCES main.cpp LIBS tautgate_station ...)    -> <build>/bin/tautgated
#
#   tautgate_test(NAME protocol_test LABEL unit SOURCES a_test.cpp ... LIBS tautgate_protocol ...
#       [TIMEOUT seconds] [ENVIRONMENT K=V ...] [PROGRAMS tautgated ...] [RESOURCE_LOCK name] [SLOW] [OPTIMISED])
#   tautgate_script_test(NAME format_holds LABEL unit COMMAND /usr/bin/python3 ${CMAKE_CURRENT_SOURCE_DIR}/x.py ...
#       [same options])
#
# Every test becomes one ctest test. Its own sources are compiled without optimisation, which builds in half the
# time; OPTIMISED is for the few that compute much themselves. Its LABEL is the folder below tests/ in which it
# lives; SLOW keeps it out of `tools/test --quick` and of the sanitizers' runs. PROGRAMS are built before and found
# in $TAUTGATE_BIN. A test in C++ finds the source tree in the macro TAUTGATE_SOURCE_DIR, a script in the
# environment variable of the same name.

include_guard(GLOBAL)

# Precompiled headers: one for all libraries (std only), one for all tests (std and Catch2). The sources
# still include what they use; the tidy check compiles them without either.
option(TAUTGATE_PCH "precompile the heavy headers" ON)

set(TAUTGATE_NOT_OPTIMISED -O0 -U_FORTIFY_SOURCE) # the latter works with optimisation only
set(TAUTGATE_STD_HEADERS
    <algorithm> <array> <bit> <cassert> <charconv> <chrono> <compare> <cstddef> <cstdint> <expected> <functional>
    <map> <memory> <optional> <set> <span> <string> <string_view> <tuple> <type_traits> <utility> <variant> <vector>)

function(tautgate_pch_owner name source)
    add_library(${name} STATIC ${source})
    target_link_libraries(${name} PRIVATE tautgate_build ${ARGN})
endfunction()

if(TAUTGATE_PCH)
    file(WRITE ${PROJECT_BINARY_DIR}/generated/pch_std.cpp "// Owner of the precompiled header of the libraries.\n")
    tautgate_pch_owner(tautgate_pch_std ${PROJECT_BINARY_DIR}/generated/pch_std.cpp)
    target_precompile_headers(tautgate_pch_std PRIVATE ${TAUTGATE_STD_HEADERS})
    if(TAUTGATE_TESTS)
        file(WRITE ${PROJECT_BINARY_DIR}/generated/pch_test.cpp "// Owner of the precompiled header of the tests.\n")
        tautgate_pch_owner(tautgate_pch_test ${PROJECT_BINARY_DIR}/generated/pch_test.cpp Catch2::Catch2)
        target_compile_options(tautgate_pch_test PRIVATE ${TAUTGATE_NOT_OPTIMISED})
        target_precompile_headers(tautgate_pch_test PRIVATE ${TAUTGATE_STD_HEADERS} <catch2/catch.hpp>)
    endif()
endif()

function(tautgate_use_pch target owner)
    if(TAUTGATE_PCH)
        target_precompile_headers(${target} REUSE_FROM ${owner})
    endif()
endfunction()

# A list that a caller misspelt ("DEPEND", "LIB") must not vanish in silence.
macro(tautgate_refuse_unknown what)
    if(arg_UNPARSED_ARGUMENTS)
        message(FATAL_ERROR "${what}: unknown argument(s): ${arg_UNPARSED_ARGUMENTS}")
    endif()
    if(NOT arg_NAME)
        message(FATAL_ERROR "${what}: NAME is missing in ${CMAKE_CURRENT_SOURCE_DIR}")
    endif()
endmacro()

function(tautgate_library)
    cmake_parse_arguments(PARSE_ARGV 0 arg "" "NAME" "SOURCES;DEPENDS;PUBLIC_LIBS;PRIVATE_LIBS")
    tautgate_refuse_unknown(tautgate_library)
    if(arg_SOURCES)
        add_library(${arg_NAME} STATIC ${arg_SOURCES})
        target_link_libraries(${arg_NAME}
            PUBLIC ${arg_DEPENDS} ${arg_PUBLIC_LIBS}
            PRIVATE tautgate_build ${arg_PRIVATE_LIBS})
        # Who links a folder may include its headers, and needs the root of the tree for it.
        target_include_directories(${arg_NAME} PUBLIC ${PROJECT_SOURCE_DIR})
        tautgate_use_pch(${arg_NAME} tautgate_pch_std)
    else()
        add_library(${arg_NAME} INTERFACE)
        target_include_directories(${arg_NAME} INTERFACE ${PROJECT_SOURCE_DIR})
        target_link_libraries(${arg_NAME} INTERFACE ${arg_DEPENDS} ${arg_PUBLIC_LIBS} ${arg_PRIVATE_LIBS})
    endif()
endfunction()

function(tautgate_program)
    cmake_parse_arguments(PARSE_ARGV 0 arg "" "NAME" "SOURCES;LIBS")
    tautgate_refuse_unknown(tautgate_program)
    add_executable(${arg_NAME} ${arg_SOURCES})
    target_link_libraries(${arg_NAME} PRIVATE tautgate_build ${arg_LIBS})
    tautgate_use_pch(${arg_NAME} tautgate_pch_std)
endfunction()

# Adds every folder below the caller's that is built, in the order of the alphabet.
function(tautgate_subfolders)
    file(GLOB found RELATIVE ${CMAKE_CURRENT_SOURCE_DIR} CONFIGURE_DEPENDS ${CMAKE_CURRENT_SOURCE_DIR}/*/CMakeLists.txt)
    list(SORT found)
    foreach(list_file IN LISTS found)
        cmake_path(GET list_file PARENT_PATH folder)
        add_subdirectory(${folder})
    endforeach()
endfunction()

# --- Tests ------------------------------------------------------------------------------------------------

set(TAUTGATE_TEST_LABELS unit standards interop exploration faults fuzz terminal browser end_to_end)

# Every wait has an end: seconds after which a test of a kind is stuck, not slow. Sanitizers cost a factor.
set(TAUTGATE_TIMEOUT_unit 120)
set(TAUTGATE_TIMEOUT_standards 120)
set(TAUTGATE_TIMEOUT_interop 180)
set(TAUTGATE_TIMEOUT_exploration 600)
set(TAUTGATE_TIMEOUT_faults 600)
set(TAUTGATE_TIMEOUT_fuzz 300)
set(TAUTGATE_TIMEOUT_terminal 180)
set(TAUTGATE_TIMEOUT_browser 300)
set(TAUTGATE_TIMEOUT_end_to_end 300)
set(TAUTGATE_TIMEOUT_FACTOR 1 CACHE STRING "multiplies the time-out of every test")

set(tautgate_test_options SLOW OPTIMISED)
set(tautgate_test_one NAME LABEL TIMEOUT RESOURCE_LOCK)
set(tautgate_test_many SOURCES LIBS COMMAND ENVIRONMENT PROGRAMS)

# Shared tail of the two kinds of test; reads the parsed arguments of its caller.
macro(tautgate_test_properties)
    if(NOT arg_LABEL IN_LIST TAUTGATE_TEST_LABELS)
        message(FATAL_ERROR "${arg_NAME}: LABEL '${arg_LABEL}' is not a folder below tests/ "
            "(allowed: ${TAUTGATE_TEST_LABELS})")
    endif()
    if(NOT arg_TIMEOUT)
        set(arg_TIMEOUT ${TAUTGATE_TIMEOUT_${arg_LABEL}})
    endif()
    math(EXPR arg_TIMEOUT "${arg_TIMEOUT} * ${TAUTGATE_TIMEOUT_FACTOR}")
    set(labels ${arg_LABEL})
    if(arg_SLOW)
        list(APPEND labels slow)
    endif()
    set_tests_properties(${arg_NAME} PROPERTIES
        LABELS "${labels}"
        TIMEOUT ${arg_TIMEOUT}
        ENVIRONMENT "TAUTGATE_SOURCE_DIR=${PROJECT_SOURCE_DIR};TAUTGATE_BUILD_DIR=${PROJECT_BINARY_DIR};TAUTGATE_BIN=${PROJECT_BINARY_DIR}/bin;${arg_ENVIRONMENT}")
    if(arg_RESOURCE_LOCK)
        set_tests_properties(${arg_NAME} PROPERTIES RESOURCE_LOCK ${arg_RESOURCE_LOCK})
    endif()
endmacro()

function(tautgate_test)
    cmake_parse_arguments(PARSE_ARGV 0 arg "${tautgate_test_options}" "${tautgate_test_one}" "${tautgate_test_many}")
    tautgate_refuse_unknown(tautgate_test)
    add_executable(${arg_NAME} ${arg_SOURCES})
    set_target_properties(${arg_NAME} PROPERTIES RUNTIME_OUTPUT_DIRECTORY ${PROJECT_BINARY_DIR}/test_bin)
    target_compile_definitions(${arg_NAME} PRIVATE TAUTGATE_SOURCE_DIR="${PROJECT_SOURCE_DIR}")
    target_link_libraries(${arg_NAME} PRIVATE tautgate_build tautgate_catch_main Catch2::Catch2 ${arg_LIBS})
    if(NOT arg_OPTIMISED)
        target_compile_options(${arg_NAME} PRIVATE ${TAUTGATE_NOT_OPTIMISED})
        tautgate_use_pch(${arg_NAME} tautgate_pch_test)
    endif()
    foreach(program IN LISTS arg_PROGRAMS)
        add_dependencies(${arg_NAME} ${program})
    endforeach()
    # A test case without an assertion has checked nothing and fails.
    add_test(NAME ${arg_NAME} COMMAND ${arg_NAME} -w NoAssertions)
    tautgate_test_properties()
endfunction()

function(tautgate_script_test)
    cmake_parse_arguments(PARSE_ARGV 0 arg "${tautgate_test_options}" "${tautgate_test_one}" "${tautgate_test_many}")
    tautgate_refuse_unknown(tautgate_script_test)
    add_test(NAME ${arg_NAME} COMMAND ${arg_COMMAND})
    if(arg_PROGRAMS)
        add_custom_target(${arg_NAME}_programs ALL DEPENDS ${arg_PROGRAMS})
    endif()
    tautgate_test_properties()
endfunction()

if(TAUTGATE_TESTS)
    add_library(tautgate_catch_main STATIC ${PROJECT_SOURCE_DIR}/tests/catch_main.cpp)
    target_link_libraries(tautgate_catch_main PRIVATE tautgate_build Catch2::Catch2)
    target_compile_options(tautgate_catch_main PRIVATE ${TAUTGATE_NOT_OPTIMISED})
endif()
