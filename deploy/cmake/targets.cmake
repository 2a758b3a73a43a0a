# How a folder becomes a target. Each folder's CMakeLists.txt uses these and nothing else:
#
#   tautgate_library(NAME tautgate_protocol
#       SOURCES reading.cpp ...           sources of this folder (none: a library of headers only)
#       DEPENDS tautgate_config ...       folders of the house that our headers or sources include
#       PUBLIC_LIBS fmt::fmt ...          others' libraries that appear in our headers
#       PRIVATE_LIBS PkgConfig::modbus ...)  others' libraries that only our sources include
#
#       [COLD]                            not on the way from a result to the output: compiled in less time
#
#   tautgate_program(NAME tautgated SOURCES main.cpp LIBS tautgate_station ... [COLD])    -> <build>/bin/tautgated
#
#   tautgate_test(NAME protocol_test LABEL unit SOURCES a_test.cpp ... LIBS tautgate_protocol ...
#       [TIMEOUT seconds] [ENVIRONMENT K=V ...] [PROGRAMS tautgated ...] [RESOURCE_LOCK name] [BUSY processors] [SLOW] [OPTIMISED]
#       [EACH])
#   tautgate_script_test(NAME format_holds LABEL unit COMMAND /usr/bin/python3 ${CMAKE_CURRENT_SOURCE_DIR}/x.py ...
#       [same options])
#
#   tautgate_test_library(NAME tautgate_unit_run SOURCES ... LIBS ...)    what several tests share
#
# Every test becomes one ctest test; with EACH, each of its sources becomes one, named after the source. A test's own
# sources are compiled without optimisation, which builds in half the time; OPTIMISED is for the few that compute much
# themselves. Its LABEL is the folder below tests/ in which it
# lives; SLOW keeps it out of `tools/test --quick` and of the sanitizers' runs, and BUSY lets it begin before the others,
# with that many processors for itself. PROGRAMS are built before and found
# in $TAUTGATE_BIN. A test in C++ finds the source tree in the macro TAUTGATE_SOURCE_DIR, a script in the
# environment variable of the same name.

include_guard(GLOBAL)

# The sources of a target are compiled as one (CMAKE_UNITY_BUILD, which the presets but `debug` set): most of the
# time of a clean build goes into reading the same headers again. Names in unnamed namespaces must therefore differ
# within a target. A single source stays itself.
function(tautgate_join_sources target)
    get_target_property(sources ${target} SOURCES)
    list(LENGTH sources count)
    if(count LESS 2)
        set_target_properties(${target} PROPERTIES UNITY_BUILD OFF)
    endif()
    set_target_properties(${target} PROPERTIES UNITY_BUILD_BATCH_SIZE 0)
endfunction()

# Precompiled headers: of the standard library, and of the core for whatever stands on it; each once for the service
# and once for the tests (with Catch2, not optimised). The sources still include what they use; the tidy check compiles
# them without any.
option(TAUTGATE_PCH "precompile the heavy headers" ON)

set(TAUTGATE_NOT_OPTIMISED -O0 -U_FORTIFY_SOURCE) # the latter works with optimisation only
set(TAUTGATE_STD_HEADERS
    <algorithm> <array> <bit> <cassert> <charconv> <chrono> <compare> <cstddef> <cstdint> <expected> <functional>
    <map> <memory> <optional> <set> <span> <string> <string_view> <tuple> <type_traits> <utility> <variant> <vector>)
set(TAUTGATE_CORE_HEADERS <filesystem> <nlohmann/json.hpp> ${PROJECT_SOURCE_DIR}/service/interlock/decide.hpp)

function(tautgate_pch_owner name)
    cmake_parse_arguments(PARSE_ARGV 1 arg "" "" "HEADERS;OPTIONS")
    set(source ${PROJECT_BINARY_DIR}/generated/${name}.cpp)
    file(WRITE ${source} "// Owner of a precompiled header.\n")
    add_library(${name} STATIC ${source})
    tautgate_join_sources(${name})
    target_compile_options(${name} PRIVATE ${arg_OPTIONS})
    target_link_libraries(${name} PRIVATE tautgate_build)
    target_precompile_headers(${name} PRIVATE ${arg_HEADERS})
endfunction()

if(TAUTGATE_PCH)
    tautgate_pch_owner(tautgate_pch_std HEADERS ${TAUTGATE_STD_HEADERS})
    tautgate_pch_owner(tautgate_pch_core HEADERS ${TAUTGATE_STD_HEADERS} ${TAUTGATE_CORE_HEADERS})
    if(TAUTGATE_TESTS)
        set(headers ${TAUTGATE_STD_HEADERS} <catch2/catch.hpp>)
        tautgate_pch_owner(tautgate_pch_std_test HEADERS ${headers} OPTIONS ${TAUTGATE_NOT_OPTIMISED})
        list(APPEND headers ${TAUTGATE_CORE_HEADERS})
        tautgate_pch_owner(tautgate_pch_core_test HEADERS ${headers} OPTIONS ${TAUTGATE_NOT_OPTIMISED})
    endif()
endif()

# Boost.Asio and Boost.Beast, their own code compiled once instead of in every source that includes them. Who includes
# them links this, nothing else of Boost.
file(WRITE ${PROJECT_BINARY_DIR}/generated/asio.cpp
    "// Boost.Asio and Boost.Beast.\n#include <boost/asio/impl/src.hpp>\n#include <boost/beast/src.hpp>\n")
add_library(tautgate_asio STATIC ${PROJECT_BINARY_DIR}/generated/asio.cpp)
target_compile_definitions(tautgate_asio PUBLIC BOOST_ASIO_SEPARATE_COMPILATION BOOST_BEAST_SEPARATE_COMPILATION)
target_link_libraries(tautgate_asio PUBLIC Boost::headers Threads::Threads PRIVATE tautgate_build)
tautgate_join_sources(tautgate_asio)

# The folders above the core in the order of the arrows, and what the tests build from them.
set(TAUTGATE_ABOVE_CORE interlock journal people history links web station former_run unit_run reason_cases fake_station)
list(JOIN TAUTGATE_ABOVE_CORE "|" TAUTGATE_ABOVE_CORE)

# `kind` is empty or _test; LIBS tell which headers the target is likely to include.
function(tautgate_use_pch target kind)
    if(TAUTGATE_PCH)
        set(headers std)
        if("${target};${ARGN}" MATCHES "tautgate_(${TAUTGATE_ABOVE_CORE})(;|$)")
            set(headers core)
        endif()
        target_precompile_headers(${target} REUSE_FROM tautgate_pch_${headers}${kind})
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

macro(tautgate_cold)
    if(arg_COLD)
        target_compile_options(${arg_NAME} PRIVATE $<$<CONFIG:RelWithDebInfo>:-O1>)
    endif()
endmacro()

function(tautgate_library)
    cmake_parse_arguments(PARSE_ARGV 0 arg "COLD" "NAME" "SOURCES;DEPENDS;PUBLIC_LIBS;PRIVATE_LIBS")
    tautgate_refuse_unknown(tautgate_library)
    if(arg_SOURCES)
        add_library(${arg_NAME} STATIC ${arg_SOURCES})
        target_link_libraries(${arg_NAME}
            PUBLIC ${arg_DEPENDS} ${arg_PUBLIC_LIBS}
            PRIVATE tautgate_build ${arg_PRIVATE_LIBS})
        # Who links a folder may include its headers, and needs the root of the tree for it.
        target_include_directories(${arg_NAME} PUBLIC ${PROJECT_SOURCE_DIR})
        tautgate_use_pch(${arg_NAME} "" ${arg_DEPENDS})
        tautgate_join_sources(${arg_NAME})
        tautgate_cold()
    else()
        add_library(${arg_NAME} INTERFACE)
        target_include_directories(${arg_NAME} INTERFACE ${PROJECT_SOURCE_DIR})
        target_link_libraries(${arg_NAME} INTERFACE ${arg_DEPENDS} ${arg_PUBLIC_LIBS} ${arg_PRIVATE_LIBS})
    endif()
endfunction()

function(tautgate_program)
    cmake_parse_arguments(PARSE_ARGV 0 arg "COLD" "NAME" "SOURCES;LIBS")
    tautgate_refuse_unknown(tautgate_program)
    add_executable(${arg_NAME} ${arg_SOURCES})
    target_link_libraries(${arg_NAME} PRIVATE tautgate_build ${arg_LIBS})
    tautgate_use_pch(${arg_NAME} "" ${arg_LIBS})
    tautgate_join_sources(${arg_NAME})
    tautgate_cold()
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

set(TAUTGATE_TEST_LABELS unit standards interop exploration faults link_errors fuzz end_to_end)

# Every wait has an end: seconds after which a test of a kind is stuck, not slow. Sanitizers cost a factor.
set(TAUTGATE_TIMEOUT_unit 120)
set(TAUTGATE_TIMEOUT_standards 120)
set(TAUTGATE_TIMEOUT_interop 180)
set(TAUTGATE_TIMEOUT_exploration 600)
set(TAUTGATE_TIMEOUT_faults 600)
set(TAUTGATE_TIMEOUT_link_errors 600)
set(TAUTGATE_TIMEOUT_fuzz 300)
set(TAUTGATE_TIMEOUT_end_to_end 300)
set(TAUTGATE_TIMEOUT_FACTOR 1 CACHE STRING "multiplies the time-out of every test")

set(tautgate_test_options SLOW OPTIMISED EACH)
set(tautgate_test_one NAME LABEL TIMEOUT RESOURCE_LOCK BUSY)
set(tautgate_test_many SOURCES LIBS COMMAND ENVIRONMENT PROGRAMS)

# Shared tail of the two kinds of test; reads the parsed arguments of its caller.
macro(tautgate_test_properties name)
    if(NOT arg_LABEL IN_LIST TAUTGATE_TEST_LABELS)
        message(FATAL_ERROR "${name}: LABEL '${arg_LABEL}' is not a folder below tests/ "
            "(allowed: ${TAUTGATE_TEST_LABELS})")
    endif()
    if(NOT arg_TIMEOUT)
        set(arg_TIMEOUT ${TAUTGATE_TIMEOUT_${arg_LABEL}})
    endif()
    math(EXPR timeout "${arg_TIMEOUT} * ${TAUTGATE_TIMEOUT_FACTOR}")
    set(labels ${arg_LABEL})
    if(arg_SLOW)
        list(APPEND labels slow)
    endif()
    set_tests_properties(${name} PROPERTIES
        LABELS "${labels}"
        TIMEOUT ${timeout}
        ENVIRONMENT "TAUTGATE_SOURCE_DIR=${PROJECT_SOURCE_DIR};TAUTGATE_BUILD_DIR=${PROJECT_BINARY_DIR};TAUTGATE_BIN=${PROJECT_BINARY_DIR}/bin;${arg_ENVIRONMENT}")
    if(arg_RESOURCE_LOCK)
        set_tests_properties(${name} PROPERTIES RESOURCE_LOCK ${arg_RESOURCE_LOCK})
    endif()
    # After a fresh clone nobody knows how long each takes.
    if(arg_BUSY)
        set_tests_properties(${name} PROPERTIES COST ${arg_BUSY} PROCESSORS ${arg_BUSY})
    endif()
endmacro()

# What the tests of a folder need that are not slow, as one target: quick_unit, for instance.
function(tautgate_needed_by_tests label slow)
    if(slow)
        return()
    endif()
    if(NOT TARGET quick_${label})
        add_custom_target(quick_${label})
    endif()
    if(ARGN)
        add_dependencies(quick_${label} ${ARGN})
    endif()
endfunction()

# What several tests of a folder share.
function(tautgate_test_library)
    cmake_parse_arguments(PARSE_ARGV 0 arg "" "NAME" "SOURCES;LIBS")
    tautgate_refuse_unknown(tautgate_test_library)
    add_library(${arg_NAME} STATIC ${arg_SOURCES})
    target_compile_definitions(${arg_NAME} PRIVATE TAUTGATE_SOURCE_DIR="${PROJECT_SOURCE_DIR}")
    target_compile_options(${arg_NAME} PRIVATE ${TAUTGATE_NOT_OPTIMISED})
    target_link_libraries(${arg_NAME} PUBLIC ${arg_LIBS} Catch2::Catch2 PRIVATE tautgate_build)
    tautgate_use_pch(${arg_NAME} _test ${arg_LIBS})
    tautgate_join_sources(${arg_NAME})
endfunction()

function(tautgate_test)
    cmake_parse_arguments(PARSE_ARGV 0 arg "${tautgate_test_options}" "${tautgate_test_one}" "${tautgate_test_many}")
    tautgate_refuse_unknown(tautgate_test)
    add_executable(${arg_NAME} ${arg_SOURCES})
    set_target_properties(${arg_NAME} PROPERTIES RUNTIME_OUTPUT_DIRECTORY ${PROJECT_BINARY_DIR}/test_bin)
    target_compile_definitions(${arg_NAME} PRIVATE TAUTGATE_SOURCE_DIR="${PROJECT_SOURCE_DIR}")
    target_link_libraries(${arg_NAME} PRIVATE tautgate_build tautgate_catch_main Catch2::Catch2 ${arg_LIBS})
    if(NOT arg_OPTIMISED)
        target_compile_options(${arg_NAME} PRIVATE ${TAUTGATE_NOT_OPTIMISED})
        tautgate_use_pch(${arg_NAME} _test ${arg_LIBS})
    else()
        tautgate_use_pch(${arg_NAME} "" ${arg_LIBS})
    endif()
    tautgate_join_sources(${arg_NAME})
    foreach(program IN LISTS arg_PROGRAMS)
        add_dependencies(${arg_NAME} ${program})
    endforeach()
    tautgate_needed_by_tests(${arg_LABEL} ${arg_SLOW} ${arg_NAME})
    # A test case without an assertion has checked nothing and fails.
    if(NOT arg_EACH)
        add_test(NAME ${arg_NAME} COMMAND ${arg_NAME} -w NoAssertions)
        tautgate_test_properties(${arg_NAME})
        return()
    endif()
    foreach(source IN LISTS arg_SOURCES)
        cmake_path(GET source STEM name)
        add_test(NAME ${name} COMMAND ${arg_NAME} -w NoAssertions --filenames-as-tags "[#${name}]")
        tautgate_test_properties(${name})
    endforeach()
endfunction()

function(tautgate_script_test)
    cmake_parse_arguments(PARSE_ARGV 0 arg "${tautgate_test_options}" "${tautgate_test_one}" "${tautgate_test_many}")
    tautgate_refuse_unknown(tautgate_script_test)
    add_test(NAME ${arg_NAME} COMMAND ${arg_COMMAND})
    if(arg_PROGRAMS)
        add_custom_target(${arg_NAME}_programs ALL DEPENDS ${arg_PROGRAMS})
    endif()
    tautgate_needed_by_tests(${arg_LABEL} ${arg_SLOW} ${arg_PROGRAMS})
    tautgate_test_properties(${arg_NAME})
endfunction()

if(TAUTGATE_TESTS)
    add_library(tautgate_catch_main STATIC ${PROJECT_SOURCE_DIR}/tests/catch_main.cpp)
    target_link_libraries(tautgate_catch_main PRIVATE tautgate_build Catch2::Catch2)
    target_compile_options(tautgate_catch_main PRIVATE ${TAUTGATE_NOT_OPTIMISED})
    tautgate_join_sources(tautgate_catch_main)
endif()
